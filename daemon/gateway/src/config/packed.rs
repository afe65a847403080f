//! Long texts that travel inside the program packed: few of them are ever asked for, and a gateway's card is small.

use std::io::Read as _;
use std::ops::Deref;
use std::sync::OnceLock;

use flate2::read::DeflateDecoder;

/// A text that is unpacked when it is first read.
#[derive(Debug)]
pub struct Packed {
    bytes: &'static [u8],
    text: OnceLock<String>,
}

impl Packed {
    pub(crate) const fn new(bytes: &'static [u8]) -> Self {
        Self { bytes, text: OnceLock::new() }
    }

    /// Names and texts, where it is a folder of small files.
    pub(crate) fn files(&'static self) -> Vec<(&'static str, &'static str)> {
        let mut pieces = self.split_terminator('\0');
        std::iter::from_fn(|| Some((pieces.next()?, pieces.next()?))).collect()
    }
}

impl Deref for Packed {
    type Target = str;

    fn deref(&self) -> &str {
        self.text.get_or_init(|| {
            let mut text = String::new();
            let read = DeflateDecoder::new(self.bytes).read_to_string(&mut text);
            // They were packed when the program was built, and tests compare each with its file.
            debug_assert!(read.is_ok(), "{read:?}");
            text
        })
    }
}

/// One of the texts that `build.rs` packs.
macro_rules! packed {
    ($name:literal) => {
        $crate::config::packed::Packed::new(include_bytes!(concat!(env!("OUT_DIR"), "/", $name)))
    };
}
pub(crate) use packed;
