//! Inputs that nobody wrote: made of those in the corpus by small changes, reproducibly from a seed.

use rand::RngExt as _;
use rand_chacha::ChaCha8Rng;

/// Longest input that is made; what comes from outside is bounded by the readers in front of the parsers.
const LONGEST: usize = 16 * 1024;

/// Numbers at which lengths and counts go wrong.
const EDGES: [u64; 12] = [
    0,
    1,
    0x7f,
    0x80,
    0xff,
    0x100,
    0x7fff,
    0xffff,
    0x7fff_ffff,
    0xffff_ffff,
    0x7fff_ffff_ffff_ffff,
    0xffff_ffff_ffff_ffff,
];

/// Pieces of the text formats.
const PIECES: [&str; 28] = [
    "\"",
    "\\u0000",
    "{",
    "}",
    "[",
    "]",
    ",",
    ":",
    "\n",
    "\r\n",
    "NaN",
    "null",
    "-0",
    "1e308",
    "-1e-400",
    "99999999999999999999",
    "0x",
    "'''",
    "[[",
    "]]",
    "=",
    "#",
    "..",
    "%",
    "\u{0}",
    "é",
    "2026-02-30T25:61:61Z",
    "-999999999-01-01T00:00:00Z",
];

/// A changed copy of one of the corpus.
pub(super) fn changed(corpus: &[Vec<u8>], random: &mut ChaCha8Rng) -> Vec<u8> {
    let any = |random: &mut ChaCha8Rng| {
        corpus.get(random.random_range(0..corpus.len().max(1))).cloned().unwrap_or_default()
    };
    let mut bytes = any(random);
    for _ in 0..random.random_range(1..=6) {
        let at = random.random_range(0..=bytes.len());
        match random.random_range(0..11) {
            0 => flip(&mut bytes, at, random),
            1 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte = random.random();
                }
            }
            2 => bytes.truncate(at),
            3 => {
                let end = (at + random.random_range(0..32)).min(bytes.len());
                bytes.drain(at..end);
            }
            4 => {
                let end = (at + random.random_range(0..64)).min(bytes.len());
                let again = bytes[at..end].to_vec();
                insert(&mut bytes, at, &again);
            }
            5 => {
                let many: Vec<u8> = (0..random.random_range(1..16)).map(|_| random.random()).collect();
                insert(&mut bytes, at, &many);
            }
            6 => {
                let other = any(random);
                let from = random.random_range(0..=other.len());
                bytes.truncate(at);
                bytes.extend_from_slice(&other[from..]);
            }
            7 => {
                let edge = EDGES[random.random_range(0..EDGES.len())];
                let width = [1, 2, 4, 8][random.random_range(0..4)];
                let edge = if random.random() {
                    edge.to_le_bytes()
                } else {
                    edge.rotate_left(64 - 8 * width).to_be_bytes()
                };
                for (byte, value) in bytes.iter_mut().skip(at).zip(&edge[..width as usize]) {
                    *byte = *value;
                }
            }
            8 => {
                // As LEB128, which the journal's lengths are.
                let mut edge = EDGES[random.random_range(0..EDGES.len())];
                let mut coded = Vec::new();
                while edge >= 0x80 {
                    coded.push(edge as u8 | 0x80);
                    edge >>= 7;
                }
                coded.push(edge as u8);
                insert(&mut bytes, at, &coded);
            }
            9 => insert(&mut bytes, at, PIECES[random.random_range(0..PIECES.len())].as_bytes()),
            _ => {
                // One digit for another: numbers stay numbers.
                if let Some(byte) = bytes.iter_mut().skip(at).find(|byte| byte.is_ascii_digit()) {
                    *byte = b'0' + random.random_range(0..10);
                }
            }
        }
    }
    bytes.truncate(LONGEST);
    bytes
}

fn flip(bytes: &mut [u8], at: usize, random: &mut ChaCha8Rng) {
    if let Some(byte) = bytes.get_mut(at) {
        *byte ^= 1 << random.random_range(0..8);
    }
}

fn insert(bytes: &mut Vec<u8>, at: usize, more: &[u8]) {
    let rest = bytes.split_off(at);
    bytes.extend_from_slice(more);
    bytes.extend(rest);
}
