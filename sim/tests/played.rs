//! A captured line that answers again.

use std::fs::File;
use std::io::Write as _;
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use sim::played::{Exchange, on_line, over_tcp};
use sim::pty::Line;

fn exchange(sent: &[u8], came: &[(u64, &[u8])]) -> Exchange {
    let came = came.iter().map(|(ms, bytes)| (Duration::from_millis(*ms), bytes.to_vec())).collect();
    Exchange { sent: sent.to_vec(), came }
}

fn open(line: &Line) -> File {
    File::options().read(true).write(true).open(line.path()).expect("the daemon's end")
}

fn read(port: &mut impl std::io::Read, count: usize) -> Vec<u8> {
    let mut bytes = vec![0; count];
    port.read_exact(&mut bytes).expect("an answer");
    bytes
}

#[test]
fn each_question_is_answered_as_it_was_then() {
    let folder = tempfile::tempdir().expect("a folder");
    let line = Line::open(&folder.path().join("line")).expect("a pty");
    let unknown = Arc::new(Mutex::new(Vec::new()));
    let heard = Arc::clone(&unknown);
    let exchanges = vec![
        exchange(b"0M!", &[(0, b"00011\r\n")]),
        exchange(b"0D0!", &[(0, b"0+6."), (300, b"42\r\n")]),
        exchange(b"0M!", &[]),
        exchange(b"0D0!", &[(0, b"0+6.43\r\n")]),
    ];
    let _server =
        on_line(&line, exchanges, move |asked| heard.lock().unwrap().push(asked.to_vec())).expect("a line");
    let mut port = open(&line);
    let mut ask = |question: &[u8], count| {
        port.write_all(question).expect("sent");
        read(&mut port, count)
    };
    assert_eq!(ask(b"0M!", 7), b"00011\r\n");
    let began = Instant::now();
    assert_eq!(ask(b"0D0!", 8), b"0+6.42\r\n");
    assert!(began.elapsed() >= Duration::from_millis(300), "its second half came late then");
    // Asked again it is as it was the second time: silent, and then another value; then it begins anew.
    assert_eq!(ask(b"0M!", 0), b"");
    std::thread::sleep(Duration::from_millis(200));
    assert_eq!(ask(b"0D0!", 8), b"0+6.43\r\n");
    assert_eq!(ask(b"0M!", 7), b"00011\r\n");
    for _ in 0..2 {
        ask(b"9I!", 0);
        std::thread::sleep(Duration::from_millis(300));
    }
    assert_eq!(*unknown.lock().unwrap(), [b"9I!".to_vec()], "told once");
}

#[test]
fn an_answer_over_tcp_carries_the_transaction_of_its_question() {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let address = listener.local_addr().expect("bound");
    let sent = [0, 7, 0, 0, 0, 6, 11, 4, 0, 0, 0, 1];
    let came = [0, 7, 0, 0, 0, 5, 11, 4, 2, 3, 18];
    let _server = over_tcp(listener, vec![exchange(&sent, &[(0, &came)])], |_| {}).expect("a port");
    let mut port = TcpStream::connect(address).expect("a server");
    for transaction in [1_u8, 200] {
        port.write_all(&[&[9, transaction], &sent[2..]].concat()).expect("sent");
        assert_eq!(read(&mut port, came.len()), [&[9, transaction], &came[2..]].concat());
    }
}

#[test]
fn what_was_only_listened_to_comes_by_itself_again_and_again() {
    let folder = tempfile::tempdir().expect("a folder");
    let line = Line::open(&folder.path().join("line")).expect("a pty");
    let _server =
        on_line(&line, vec![exchange(b"", &[(0, b"a\r\n"), (50, b"b\r\n")])], |_| {}).expect("a line");
    assert_eq!(read(&mut open(&line), 12), b"a\r\nb\r\na\r\nb\r\n");
}

/// It is stopped although nobody ever took what it sent.
#[test]
fn a_line_that_nobody_reads_can_be_ended() {
    let folder = tempfile::tempdir().expect("a folder");
    let line = Line::open(&folder.path().join("line")).expect("a pty");
    let server = on_line(&line, vec![exchange(b"", &[(0, &[b'x'; 500_000])])], |_| {}).expect("a line");
    std::thread::sleep(Duration::from_millis(300));
    let (ended, wait) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        drop(server);
        let _ = ended.send(());
    });
    assert_eq!(wait.recv_timeout(Duration::from_secs(10)), Ok(()));
}
