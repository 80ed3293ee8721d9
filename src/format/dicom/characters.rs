//! Text in the character sets of DICOM (PS3.3 section C.12.1.1.2, PS3.5 section 6.1), turned to Unicode.
//!
//! A data set names one set, or several between which escape sequences switch (ISO 2022). After such a
//! switch the first set holds again behind every delimiter, as PS3.5 section 6.1.2.5.3 has it. What cannot be
//! decoded becomes the replacement character, so that it is seen to be missing. Where no set is named, text beyond
//! ASCII is against the standard and yet common: it is taken as UTF-8 where it is that, else as Latin-1.

use encoding::all::{
    ASCII, GB18030, GBK, ISO_2022_JP, ISO_8859_1, ISO_8859_2, ISO_8859_3, ISO_8859_4, ISO_8859_5, ISO_8859_6,
    ISO_8859_7, ISO_8859_8, ISO_8859_15, UTF_8, WINDOWS_31J, WINDOWS_874, WINDOWS_949, WINDOWS_1254,
};
use encoding::{DecoderTrap, Encoding};

const ESCAPE: u8 = 0x1B;

/// A character set with its escape sequence
#[derive(Clone, Copy)]
struct Charset {
    encoding: &'static dyn Encoding,
    /// What the decoder must see before the bytes: the two sets of Japanese ideographs share one decoder
    opening: &'static [u8],
}

const fn charset(encoding: &'static dyn Encoding) -> Charset {
    Charset { encoding, opening: &[] }
}

/// Whether pairs of bytes below 128 are characters, so that no byte of them is a delimiter
fn is_paired(set: Charset) -> bool {
    !set.opening.is_empty()
}

/// A term without what is often misspelt in it: capitals, blanks, hyphens, underscores
fn plain(term: &str) -> String {
    term.chars().filter(char::is_ascii_alphanumeric).collect::<String>().to_ascii_uppercase()
}

/// The set of a defined term, or of a name that is given in its stead; `None` for one that is not known
fn named(term: &str) -> Option<Charset> {
    let term = plain(term);
    let number = ["ISOIR", "ISO2022IR"].iter().find_map(|start| term.strip_prefix(start)).unwrap_or(&term);
    Some(match number {
        "" | "6" => charset(ASCII),
        "100" | "LATIN1" | "ISO88591" => charset(ISO_8859_1),
        "101" => charset(ISO_8859_2),
        "109" => charset(ISO_8859_3),
        "110" => charset(ISO_8859_4),
        "144" => charset(ISO_8859_5),
        "127" => charset(ISO_8859_6),
        "126" => charset(ISO_8859_7),
        "138" => charset(ISO_8859_8),
        // ISO 8859-9 and 8859-11, each inside of the set of Windows.
        "148" => charset(WINDOWS_1254),
        "166" => charset(WINDOWS_874),
        "203" => charset(ISO_8859_15),
        "13" => charset(WINDOWS_31J),
        "87" => Charset { encoding: ISO_2022_JP, opening: b"\x1B$B" },
        "159" => Charset { encoding: ISO_2022_JP, opening: b"\x1B$(D" },
        "149" => charset(WINDOWS_949),
        "58" | "GBK" => charset(GBK),
        "192" | "UTF8" => charset(UTF_8),
        "GB18030" => charset(GB18030),
        _ => return None,
    })
}

/// The set that an escape sequence calls, by what follows the escape, and how long that is
fn called(after: &[u8]) -> Option<(Charset, usize)> {
    // PS3.3 tables C.12-3 and C.12-4.
    const SEQUENCES: [(&[u8], &str); 20] = [
        (b"(B", "6"),
        (b"-A", "100"),
        (b"-B", "101"),
        (b"-C", "109"),
        (b"-D", "110"),
        (b"-L", "144"),
        (b"-G", "127"),
        (b"-F", "126"),
        (b"-H", "138"),
        (b"-M", "148"),
        (b"-T", "166"),
        (b"-b", "203"),
        (b"(J", "13"),
        (b")I", "13"),
        (b"$B", "87"),
        (b"$@", "87"),
        (b"$(D", "159"),
        (b"$)C", "149"),
        (b"$)A", "58"),
        (b"%G", "192"),
    ];
    let (sequence, term) = SEQUENCES.iter().find(|(sequence, _)| after.starts_with(sequence))?;
    Some((named(term)?, sequence.len()))
}

/// Text in the sets that Specific Character Set names, as Unicode
pub(super) fn decode(text: &[u8], sets: &str) -> String {
    if sets.is_empty() {
        let latin = |_| piece(text, charset(ISO_8859_1));
        return std::str::from_utf8(text).map_or_else(latin, str::to_owned);
    }
    let terms: Vec<&str> = sets.split('\\').map(str::trim).collect();
    // A set that is not known may still be ASCII in most of its bytes.
    let first = named(terms[0]).unwrap_or(charset(ASCII));
    let switched = terms.len() > 1 || plain(terms[0]).starts_with("ISO2022");
    if !switched {
        return piece(text, first);
    }
    let mut out = String::new();
    let mut pieces = text.split(|byte| *byte == ESCAPE);
    out.push_str(&piece(pieces.next().unwrap_or_default(), first));
    for after in pieces {
        let Some((set, length)) = called(after) else {
            out.push(char::REPLACEMENT_CHARACTER);
            out.push_str(&piece(after, first));
            continue;
        };
        let rest = &after[length..];
        let delimiter = |byte: &u8| matches!(byte, b'\\' | b'^' | b'=' | b'\r' | b'\n' | b'\t' | 0x0C);
        let end = if is_paired(set) { None } else { rest.iter().position(delimiter) };
        let (own, back) = rest.split_at(end.unwrap_or(rest.len()));
        out.push_str(&piece(own, set));
        out.push_str(&piece(back, first));
    }
    out
}

fn piece(bytes: &[u8], set: Charset) -> String {
    let bytes = [set.opening, bytes].concat();
    set.encoding.decode(&bytes, DecoderTrap::Replace).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_examples_of_the_standard_come_out_whole() {
        // PS3.5 annexes H.3.1, H.3.2, I.2, J.1, J.2 and K (the last in ISO 2022).
        for (sets, bytes, expected) in [
            (
                "\\ISO 2022 IR 87",
                b"Yamada^Tarou=\x1B$B;3ED\x1B(B^\x1B$BB@O:\x1B(B=\x1B$B$d$^$@\x1B(B^\x1B$B$?$m$&\x1B(B".as_slice(),
                "Yamada^Tarou=山田^太郎=やまだ^たろう",
            ),
            (
                "ISO 2022 IR 13\\ISO 2022 IR 87",
                b"\xD4\xCF\xC0\xDE^\xC0\xDB\xB3=\x1B$B;3ED\x1B(J^\x1B$BB@O:\x1B(J=\x1B$B$d$^$@\x1B(J^\x1B$B$?$m$&\x1B(J",
                "ﾔﾏﾀﾞ^ﾀﾛｳ=山田^太郎=やまだ^たろう",
            ),
            (
                "\\ISO 2022 IR 149",
                b"Hong^Gildong=\x1B$)C\xFB\xF3^\x1B$)C\xD1\xCE\xD4\xD7=\x1B$)C\xC8\xAB^\x1B$)C\xB1\xE6\xB5\xBF",
                "Hong^Gildong=洪^吉洞=홍^길동",
            ),
            ("ISO_IR 192", "Wang^XiaoDong=王^小東=".as_bytes(), "Wang^XiaoDong=王^小東="),
            ("GB18030", b"Wang^XiaoDong=\xCD\xF5^\xD0\xA1\xB6\xAB=", "Wang^XiaoDong=王^小东="),
            (
                "\\ISO 2022 IR 58",
                b"Zhang^XiaoDong=\x1B$)A\xD5\xC5^\x1B$)A\xD0\xA1\xB6\xAB=",
                "Zhang^XiaoDong=张^小东=",
            ),
            ("ISO_IR 100", b"Buc^J\xE9r\xF4me", "Buc^Jérôme"),
            ("ISO_IR 144", b"\xBB\xEE\xDA\xE1\xD5\xDC\xD1\xE3\xE0\xD3", "Люксембург"),
        ] {
            assert_eq!(decode(bytes, sets), expected, "{sets}");
        }
    }

    #[test]
    fn after_a_delimiter_the_first_set_holds_again() {
        let text = b"\x1B-F\xC4\xE9\xEF\xED\xF5\xF3\xE9\xEF\xF2^J\xE9r\xF4me";
        assert_eq!(decode(text, "ISO 2022 IR 100\\ISO 2022 IR 126"), "Διονυσιος^Jérôme");
        // What is not known is seen to be missing, and nothing panics.
        for sets in ["", "ISO_IR 999", "\\ISO 2022 IR 87", "ISO_IR 192"] {
            for text in [b"A\x1B".as_slice(), b"\x1B$B;", b"\x1B)Z\xE9", b"\xFF\xFE\\", b""] {
                let _ = decode(text, sets);
            }
        }
        assert!(decode(b"J\xE9r", "ISO_IR 999").contains('\u{FFFD}'));
        assert!(decode(b"J\xE9r", "ISO_IR 192").contains('\u{FFFD}'));
    }

    #[test]
    fn missing_and_misspelt_sets_are_read_as_what_they_mean() {
        for sets in ["", "latin1", "Latin-1", "ISO-IR 100", "ISO_IR_100", "iso_ir 100", "ISO 2022-IR 100"] {
            assert_eq!(decode(b"M\xFCller", sets), "Müller", "{sets}");
        }
        for sets in ["", "UTF-8", "ISO_IR_192"] {
            assert_eq!(decode("Müller".as_bytes(), sets), "Müller", "{sets}");
        }
    }
}
