//! The link between gateway and cluster: a relay that can be cut at any moment, and that takes whichever node answers.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

pub struct Link {
    pub port: u16,
    cut: Arc<AtomicBool>,
    open: Arc<Mutex<Vec<TcpStream>>>,
}

impl Link {
    pub fn to(nodes: [u16; 3]) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
        let port = listener.local_addr().expect("bound").port();
        let (cut, open) = (Arc::new(AtomicBool::new(false)), Arc::new(Mutex::new(Vec::new())));
        let (is_cut, all) = (Arc::clone(&cut), Arc::clone(&open));
        let next = AtomicUsize::new(0);
        std::thread::spawn(move || {
            for near in listener.incoming().map_while(Result::ok) {
                if is_cut.load(Ordering::SeqCst) {
                    continue;
                }
                let first = next.fetch_add(1, Ordering::SeqCst);
                let far =
                    (0..3).find_map(|turn| TcpStream::connect(("127.0.0.1", nodes[(first + turn) % 3])).ok());
                let Some(far) = far else { continue };
                let mut all = all.lock().expect("no panic inside");
                for (from, to) in [(&near, &far), (&far, &near)] {
                    let (from, to) = (from.try_clone().expect("handle"), to.try_clone().expect("handle"));
                    std::thread::spawn(move || pump(from, to));
                }
                all.extend([near, far]);
                all.retain(|stream| stream.peer_addr().is_ok());
            }
        });
        Self { port, cut, open }
    }

    /// Everything under way is lost, as when a modem loses its mast.
    pub fn cut(&self) {
        self.cut.store(true, Ordering::SeqCst);
        for stream in self.open.lock().expect("no panic inside").drain(..) {
            let _ = stream.shutdown(Shutdown::Both);
        }
    }

    pub fn mend(&self) {
        self.cut.store(false, Ordering::SeqCst);
    }
}

fn pump(mut from: TcpStream, mut to: TcpStream) {
    let mut bytes = [0; 4096];
    while let Ok(count @ 1..) = from.read(&mut bytes) {
        if to.write_all(&bytes[..count]).is_err() {
            break;
        }
    }
    let _ = to.shutdown(Shutdown::Both);
    let _ = from.shutdown(Shutdown::Both);
}
