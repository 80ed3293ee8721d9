//! When a file was written, in words.

use std::time::{SystemTime, UNIX_EPOCH};

/// Date and time of day, without a time zone's table: in UTC
pub(super) fn spoken(when: SystemTime) -> String {
    let seconds = when.duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
    let (days, minutes) = (seconds / 86_400, seconds % 86_400 / 60);
    let (year, month, day) = civil(days);
    format!("{year}-{month:02}-{day:02} {:02}:{:02} UTC", minutes / 60, minutes % 60)
}

/// Year, month and day of so many days after 1970-01-01, in the Gregorian calendar: counted from a 1st of March, each
/// month begins (153 m + 2) / 5 days on (H. Hinnant, "chrono-compatible low-level date algorithms", from memory)
fn civil(days: u64) -> (u64, u64, u64) {
    let since = days + 719_468;
    let (era, day_of_era) = (since / 146_097, since % 146_097);
    let year = (day_of_era - day_of_era / 1460 + day_of_era / 36_524 - day_of_era / 146_096) / 365;
    let day_of_year = day_of_era - (365 * year + year / 4 - year / 100);
    let month = (5 * day_of_year + 2) / 153;
    let day = day_of_year - (153 * month + 2) / 5 + 1;
    let (month, carried) = if month < 10 { (month + 3, 0) } else { (month - 9, 1) };
    (400 * era + year + carried, month, day)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn leap_days_and_ends_of_years() {
        let at = |seconds| spoken(UNIX_EPOCH + Duration::from_secs(seconds));
        assert_eq!(at(0), "1970-01-01 00:00 UTC");
        assert_eq!(at(951_782_400), "2000-02-29 00:00 UTC");
        assert_eq!(at(1_735_689_599), "2024-12-31 23:59 UTC");
        assert_eq!(at(4_107_542_400), "2100-03-01 00:00 UTC");
    }
}
