//! What the two formats with headers in text share: lines, numbers, and limits on both.

use super::ArrayError;

/// A header longer than this is none
const LONGEST: usize = 1 << 20;

/// The line that begins at `at`, without its end, and where the next begins; `None` at the end
///
/// # Errors
/// [`ArrayError::Header`] where the line is no text, or the header does not end.
pub(super) fn line(all: &[u8], at: usize) -> Result<Option<(&str, usize)>, ArrayError> {
    if at >= all.len() {
        return Ok(None);
    }
    if at > LONGEST {
        return Err(ArrayError::Header {
            line: 0,
            message: format!("it does not end within {LONGEST} bytes"),
        });
    }
    let rest = &all[at..all.len().min(at + LONGEST)];
    let end = rest.iter().position(|byte| *byte == b'\n');
    let line = &rest[..end.unwrap_or(rest.len())];
    let next = at + end.map_or(rest.len(), |end| end + 1);
    let line = line.strip_suffix(b"\r").unwrap_or(line);
    let text = std::str::from_utf8(line)
        .map_err(|_| ArrayError::Header { line: 0, message: format!("it is no text at byte {at}") })?;
    Ok(Some((text, next)))
}

/// Numbers parted by blanks
pub(super) fn numbers(text: &str) -> Option<Vec<f64>> {
    text.split_whitespace().map(|word| word.parse().ok()).collect()
}

/// Whole numbers parted by blanks
pub(super) fn sizes(text: &str) -> Option<Vec<usize>> {
    text.split_whitespace().map(|word| word.parse().ok()).collect()
}

/// The beginning of a text, for messages
pub(super) fn short(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(60).collect()
}
