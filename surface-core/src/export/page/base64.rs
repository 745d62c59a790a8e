//! Base64 of RFC 4648, section 4, with padding.

use std::io::{self, Write};

const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";

/// Write `bytes` in base64.
pub(super) fn write<W: Write>(bytes: &[u8], out: &mut W) -> io::Result<()> {
    let mut line = Vec::with_capacity(4 << 10);
    for piece in bytes.chunks(3 << 10) {
        line.clear();
        piece
            .chunks(3)
            .for_each(|three| line.extend(letters(three)));
        out.write_all(&line)?;
    }
    Ok(())
}

/// Four letters for one to three bytes.
fn letters(bytes: &[u8]) -> [u8; 4] {
    let byte = |k: usize| bytes.get(k).copied().unwrap_or(0);
    let [a, b, c] = [byte(0), byte(1), byte(2)];
    let six = [a >> 2, (a << 4) | (b >> 4), (b << 2) | (c >> 6), c].map(|v| v & 63);
    let mut out = six.map(|v| LETTERS[usize::from(v)]);
    out.iter_mut()
        .skip(bytes.len() + 1)
        .for_each(|letter| *letter = b'=');
    out
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_examples_of_the_standard_come_out() {
        // RFC 4648, section 10.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("foobar", "Zm9vYmFy"),
        ] {
            let mut out = Vec::new();
            super::write(plain.as_bytes(), &mut out).unwrap();
            assert_eq!(out, coded.as_bytes());
        }
    }
}
