//! The link between gateway and cluster: a relay to each node, all of which can be cut at any moment.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

pub struct Link {
    /// Where each node is reached.
    pub ports: [u16; 3],
    cut: Arc<AtomicBool>,
    open: Arc<Mutex<Vec<TcpStream>>>,
}

impl Link {
    pub fn to(nodes: [u16; 3]) -> Self {
        let (cut, open) = (Arc::new(AtomicBool::new(false)), Arc::new(Mutex::new(Vec::new())));
        let ports = nodes.map(|node| {
            let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
            let port = listener.local_addr().expect("bound").port();
            let (is_cut, all) = (Arc::clone(&cut), Arc::clone(&open));
            std::thread::spawn(move || relay(&listener, node, &is_cut, &all));
            port
        });
        Self { ports, cut, open }
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

fn relay(listener: &TcpListener, node: u16, is_cut: &AtomicBool, all: &Mutex<Vec<TcpStream>>) {
    for near in listener.incoming().map_while(Result::ok) {
        if is_cut.load(Ordering::SeqCst) {
            continue;
        }
        // A node that is down: the near end is closed.
        let Ok(far) = TcpStream::connect(("127.0.0.1", node)) else { continue };
        let mut all = all.lock().expect("no panic inside");
        for (from, to) in [(&near, &far), (&far, &near)] {
            let (from, to) = (from.try_clone().expect("handle"), to.try_clone().expect("handle"));
            std::thread::spawn(move || pump(from, to));
        }
        all.extend([near, far]);
        all.retain(|stream| stream.peer_addr().is_ok());
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
