//! One parser of outside bytes under libFuzzer, which keeps inputs that reach code no other did and changes those.
//! `tests/fuzz/guided.py` builds and runs it; PONDREEVE_PARSER says which parser.

#![no_main]

use std::sync::OnceLock;

use libfuzzer_sys::fuzz_target;
use pondreeve::outside::PARSERS;

static PARSE: OnceLock<fn(&[u8])> = OnceLock::new();

/// Room for libFuzzer to write down an input on.
const STACK_BYTES: usize = 256 * 1024;

fn asked() -> fn(&[u8]) {
    let name = std::env::var("PONDREEVE_PARSER").unwrap_or_default();
    let Some(parser) = PARSERS.iter().find(|parser| parser.0 == name) else {
        let known: Vec<&str> = PARSERS.iter().map(|parser| parser.0).collect();
        eprintln!("PONDREEVE_PARSER is {name:?}, which is no parser; known are: {}", known.join(" "));
        std::process::exit(2);
    };
    parser.1
}

/// A parser that calls itself without end has no stack left for what tells of it: libFuzzer's signal handler, which is
/// set after this, gets one of its own.
fn stack_for_signals() {
    let memory: &'static mut [u8] = vec![0; STACK_BYTES].leak();
    let stack = libc::stack_t { ss_sp: memory.as_mut_ptr().cast(), ss_flags: 0, ss_size: STACK_BYTES };
    // SAFETY: the memory is never given back; the handler that is set is the system's own, for its flag's sake.
    unsafe {
        assert_eq!(libc::sigaltstack(&raw const stack, std::ptr::null_mut()), 0);
        let mut action: libc::sigaction = std::mem::zeroed();
        action.sa_sigaction = libc::SIG_DFL;
        action.sa_flags = libc::SA_ONSTACK;
        assert_eq!(libc::sigaction(libc::SIGSEGV, &raw const action, std::ptr::null_mut()), 0);
    }
}

fuzz_target!(
    init: {
        stack_for_signals();
        PARSE.get_or_init(asked);
    },
    |bytes: &[u8]| PARSE.get_or_init(asked)(bytes)
);
