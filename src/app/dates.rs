//! When a file was written, in words.

use std::time::{SystemTime, UNIX_EPOCH};

use crate::report::study::moment;

/// Date and time of day, without a time zone's table: in UTC
pub(super) fn spoken(when: SystemTime) -> String {
    let seconds = when.duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
    // `2031-05-04T10:20:30Z` without its seconds.
    format!("{} UTC", moment(seconds)[..16].replace('T', " "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn a_moment_is_told_to_the_minute() {
        let at = |seconds| spoken(UNIX_EPOCH + Duration::from_secs(seconds));
        assert_eq!(at(0), "1970-01-01 00:00 UTC");
        assert_eq!(at(1_735_689_599), "2024-12-31 23:59 UTC");
    }
}
