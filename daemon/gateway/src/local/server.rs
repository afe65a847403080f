//! The daemon's side of the local socket.
//!
//! Who may connect is decided by the file's mode and group; who connected is told by the kernel and
//! recorded with every acknowledgement and entry. A client that does not read is dropped, never waited
//! for.

use std::io;
use std::os::unix::fs::{FileTypeExt, MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use futures_util::{SinkExt, StreamExt};
use pondreeve_core::Effect;
use pondreeve_core::said::Said;
use tokio::net::{UnixListener, UnixStream};
use tokio::sync::{Semaphore, broadcast};
use tokio::task::JoinSet;
use tokio_util::codec::{Framed, LinesCodec, LinesCodecError};
use tokio_util::sync::CancellationToken;

use super::protocol::{Ask, Reply, Request};
use super::requests::Counter;
use super::rights::Person;
use crate::config::farm::LocalSettings;
use crate::probes::serial::loan::Loan;

/// Clients at one time. A farm has one or two consoles and a few scripts; more is a script gone wrong,
/// and each watcher costs a status a second.
pub const MOST_CLIENTS: usize = 32;

/// Longest request. An entry of every quantity stays below 2 kB.
const LONGEST_REQUEST_BYTES: usize = 64 * 1024;

/// A client that has not taken an answer after this long is dropped.
const WRITE_PATIENCE: Duration = Duration::from_secs(5);

/// A borrower whose line is recalled has this long to say that its port is closed.
const RETURN_PATIENCE: Duration = Duration::from_secs(3);

/// A watcher is told the status this often, in real time.
const WATCH_EVERY: Duration = Duration::from_secs(1);

/// In a flood of alarm changes a watcher is told at most this often.
const WATCH_AT_MOST_EVERY: Duration = Duration::from_millis(100);

/// The open socket; the file goes when this does.
#[derive(Debug)]
pub struct Socket {
    listener: UnixListener,
    path: PathBuf,
}

impl Drop for Socket {
    fn drop(&mut self) {
        // Left behind, the next start would remove it.
        let _ = std::fs::remove_file(&self.path);
    }
}

/// Opens the socket with the mode and group of the configuration. A file left by a daemon that was
/// killed is replaced; one that somebody answers on, or that is no socket, is an error.
pub async fn listen(settings: &LocalSettings) -> io::Result<Socket> {
    let path = &settings.socket;
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder)?;
    }
    make_room(path).await?;
    // Bound under another name first, so that nobody can connect before mode and group are right.
    let mut making = path.as_os_str().to_owned();
    making.push(".making");
    let making = PathBuf::from(making);
    match std::fs::remove_file(&making) {
        Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let listener = UnixListener::bind(&making)?;
    if let Some(name) = &settings.group {
        let group = nix::unistd::Group::from_name(name)?.ok_or_else(|| {
            io::Error::new(
                io::ErrorKind::NotFound,
                format!("this machine has no group {name:?} ([local] group)"),
            )
        })?;
        // Asked only where it changes something: the service's sandbox allows no such call.
        if std::fs::metadata(&making)?.gid() != group.gid.as_raw() {
            nix::unistd::chown(&making, None, Some(group.gid))?;
        }
    }
    std::fs::set_permissions(&making, std::fs::Permissions::from_mode(settings.mode))?;
    std::fs::rename(&making, path)?;
    Ok(Socket { listener, path: path.clone() })
}

async fn make_room(path: &Path) -> io::Result<()> {
    let found = match std::fs::symlink_metadata(path) {
        Ok(found) => found,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(error),
    };
    if !found.file_type().is_socket() {
        let text = "a file that is no socket is in the way; move it, or name another path ([local] socket)";
        return Err(io::Error::new(io::ErrorKind::AlreadyExists, text));
    }
    if UnixStream::connect(path).await.is_ok() {
        let text = "another pondreeve answers there; stop it first, or name another path ([local] socket)";
        return Err(io::Error::new(io::ErrorKind::AddrInUse, text));
    }
    std::fs::remove_file(path)
}

/// Answers clients until `stop` is cancelled.
pub async fn serve(socket: Socket, counter: Arc<Counter>, stop: CancellationToken) {
    let places = Arc::new(Semaphore::new(MOST_CLIENTS));
    let mut clients = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            () = stop.cancelled() => break,
            Some(_) = clients.join_next(), if !clients.is_empty() => continue,
            accepted = socket.listener.accept() => accepted,
        };
        let stream = match accepted {
            Ok((stream, _)) => stream,
            Err(error) => {
                // Such as no file handles left: it passes, and must not spin until it has.
                tracing::warn!(%error, "a local client could not be accepted");
                tokio::time::sleep(Duration::from_millis(200)).await;
                continue;
            }
        };
        let Ok(place) = Arc::clone(&places).try_acquire_owned() else {
            clients.spawn(turn_away(stream));
            continue;
        };
        let (counter, stop) = (Arc::clone(&counter), stop.clone());
        clients.spawn(async move {
            tokio::select! {
                () = stop.cancelled() => {}
                () = attend(stream, &counter) => {}
            }
            drop(place);
        });
    }
    clients.shutdown().await;
}

type Lines = Framed<UnixStream, LinesCodec>;

fn lines(stream: UnixStream) -> Lines {
    Framed::new(stream, LinesCodec::new_with_max_length(LONGEST_REQUEST_BYTES))
}

async fn turn_away(stream: UnixStream) {
    let message = format!("{MOST_CLIENTS} local clients are connected already: close one and try again");
    let _ = tell(&mut lines(stream), &Reply::refusal(&Said::plain(message), false)).await;
}

async fn attend(stream: UnixStream, counter: &Counter) {
    let who = stream.peer_cred().ok().map(|peer| peer.uid());
    // Looking a user up may ask a server elsewhere.
    let nobody = |_| Person { name: "unknown".to_owned(), groups: Vec::new() };
    let person = tokio::task::spawn_blocking(move || person(who)).await.unwrap_or_else(nobody);
    let by = person.name.clone();
    let mut lines = lines(stream);
    let mut changes = counter.changes();
    let mut every = tokio::time::interval(WATCH_EVERY);
    every.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut watching = false;
    // Dropped with the connection, however that ends, and the daemon has its line back.
    let mut borrowed: Option<Loan> = None;
    loop {
        let reply = tokio::select! {
            line = lines.next() => match line {
                None | Some(Err(LinesCodecError::Io(_))) => return,
                Some(Err(LinesCodecError::MaxLineLengthExceeded)) => {
                    // After an error the stream says once that it has ended, and then goes on; the codec
                    // skips the rest of the line.
                    let _ = lines.next().await;
                    bad_request(format!(
                        "a request line longer than {LONGEST_REQUEST_BYTES} bytes: send one JSON object a line"
                    ))
                }
                Some(Ok(line)) => match parse(&line) {
                    Ok(Request { ask, place }) => {
                        if ask == Ask::Watch {
                            watching = true;
                            every.reset();
                        }
                        let refused = counter.farm.local.rights.refuse(&ask, &person);
                        match (refused, ask) {
                            (Some(reply), _) => reply,
                            (None, Ask::BorrowLine { device, seconds }) => {
                                drop(borrowed.take());
                                let (reply, loan) = counter.borrow_line(&device, seconds, &by).await;
                                borrowed = loan;
                                reply
                            }
                            (None, Ask::ReturnLine) => {
                                borrowed = None;
                                Reply::done(None)
                            }
                            (None, ask) => counter.answer_from(place, ask, &by).await,
                        }
                    }
                    Err(error) => bad_request(format!(
                        "a request that is not understood ({error}): send one JSON object a line, such as {{\"ask\":{{\"what\":\"status\"}}}}"
                    )),
                },
            },
            why = recalled(&mut borrowed) => {
                // Kept until the borrower says that it has closed the port, or goes.
                let reply = Reply::LineRecalled { why };
                if tell(&mut lines, &reply).await.is_err() {
                    return;
                }
                let _ = tokio::time::timeout(RETURN_PATIENCE, lines.next()).await;
                borrowed = None;
                Reply::done(None)
            }
            _ = every.tick(), if watching => counter.answer(Ask::Status, &by).await,
            () = alarm_change(&mut changes), if watching => {
                tokio::time::sleep(WATCH_AT_MOST_EVERY).await;
                // What came in between is in the status that follows.
                changes = changes.resubscribe();
                every.reset();
                counter.answer(Ask::Status, &by).await
            }
        };
        if tell(&mut lines, &reply).await.is_err() {
            return;
        }
        if !watching {
            // Unread effects would be kept for a client that does not want them.
            changes = changes.resubscribe();
        }
    }
}

/// Waits until the borrowed line is wanted back; for ever where none is.
async fn recalled(borrowed: &mut Option<Loan>) -> String {
    match borrowed {
        Some(loan) => loan.recalled().await,
        None => std::future::pending().await,
    }
}

/// Waits for the next change a watcher should see at once.
async fn alarm_change(changes: &mut broadcast::Receiver<Arc<Effect>>) {
    loop {
        match changes.recv().await {
            Ok(effect) if matches!(*effect, Effect::AlarmChanged(_) | Effect::Horn { .. }) => return,
            Ok(_) => {}
            Err(broadcast::error::RecvError::Lagged(_)) => return,
            Err(broadcast::error::RecvError::Closed) => return std::future::pending().await,
        }
    }
}

async fn tell(lines: &mut Lines, reply: &Reply) -> Result<(), ()> {
    let text = serde_json::to_string(reply).map_err(|error| {
        tracing::error!(%error, "an answer could not be written as JSON");
    })?;
    match tokio::time::timeout(WRITE_PATIENCE, lines.send(text)).await {
        Ok(Ok(())) => Ok(()),
        Ok(Err(_)) => Err(()),
        Err(_) => {
            tracing::warn!("a local client does not read its answers and was dropped");
            Err(())
        }
    }
}

/// Reads a request; a key that is not known is an error everywhere. (Of an `ask` without fields of its
/// own serde checks no keys.)
pub(crate) fn parse(line: &str) -> Result<Request, String> {
    let value: serde_json::Value = serde_json::from_str(line).map_err(|error| error.to_string())?;
    let keys = value.get("ask").and_then(serde_json::Value::as_object).cloned().unwrap_or_default();
    let request: Request = serde_json::from_value(value).map_err(|error| error.to_string())?;
    match keys.keys().find(|key| *key != "what") {
        Some(key) if matches!(request.ask, Ask::Status | Ask::Watch | Ask::ReturnLine) => {
            Err(format!("unknown field `{key}`"))
        }
        _ => Ok(request),
    }
}

fn bad_request(message: String) -> Reply {
    Reply::refusal(&Said::plain(message), true)
}

/// A local user by name, or number where there is no name, with the groups that the machine's accounts give.
fn person(uid: Option<u32>) -> Person {
    let Some(uid) = uid else { return Person { name: "unknown".to_owned(), groups: Vec::new() } };
    let Ok(Some(user)) = nix::unistd::User::from_uid(nix::unistd::Uid::from_raw(uid)) else {
        return Person { name: format!("user {uid}"), groups: Vec::new() };
    };
    let numbers = std::ffi::CString::new(user.name.as_str())
        .ok()
        .and_then(|name| nix::unistd::getgrouplist(&name, user.gid).ok())
        .unwrap_or_default();
    let name = |gid: nix::unistd::Gid| Some(nix::unistd::Group::from_gid(gid).ok()??.name);
    Person { name: user.name, groups: numbers.into_iter().filter_map(name).collect() }
}
