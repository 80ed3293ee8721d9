//! Concatenations: one volume in several instances (PS3.3 sections C.7.6.16.1.3 and C.7.6.16.2.2.4).
//!
//! Each part says which one it is, mostly also of how many, and how many frames stand before its own. A
//! part alone looks like a whole volume of fewer frames; it is never read as one.

use dicom_dictionary_std::tags;

use super::DicomError;
use super::tree::View;
use crate::format::Notes;

/// Which part of a volume an instance is
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::format) struct Part {
    /// What the parts of one volume share
    pub(in crate::format) uid: String,
    /// Which part, from 1
    pub(in crate::format) number: u32,
    /// How many there are, where the instance says so
    total: Option<u32>,
    /// Frames in the parts before, where the instance says so
    offset: Option<u32>,
}

impl Part {
    /// What an instance says of itself; `None` where it is a whole volume
    ///
    /// # Errors
    /// [`DicomError::Missing`] where it is a part and does not say which.
    pub(super) fn of(root: View<'_>) -> Result<Option<Self>, DicomError> {
        // Without a name of their own the parts still share that of the whole.
        let whole = root.text(tags::SOP_INSTANCE_UID_OF_CONCATENATION_SOURCE);
        let uid = root.text(tags::CONCATENATION_UID).or(whole);
        let total = root.whole(tags::IN_CONCATENATION_TOTAL_NUMBER).filter(|total| *total > 0);
        let offset = root.whole(tags::CONCATENATION_FRAME_OFFSET_NUMBER);
        let number = root.whole(tags::IN_CONCATENATION_NUMBER).filter(|number| *number > 0);
        let beyond = |told: Option<u32>, first: u32| told.is_some_and(|told| told > first);
        let alone = total == Some(1) && !beyond(offset, 0) && !beyond(number, 1);
        // Only parts have any of these.
        if alone || (uid.is_none() && total.is_none() && offset.is_none() && number.is_none()) {
            return Ok(None);
        }
        let number = number.ok_or(DicomError::Missing {
            name: "In-concatenation Number",
            tag: tags::IN_CONCATENATION_NUMBER,
        })?;
        Ok(Some(Self { uid: uid.unwrap_or_default().to_owned(), number, total, offset }))
    }
}

/// Whether instances with this many frames each are a whole volume, in their order
///
/// # Errors
/// [`DicomError::PartsMissing`], [`DicomError::PartTwice`], [`DicomError::PartsDisagree`].
pub(super) fn complete(parts: &[(Option<Part>, u32)], notes: &mut Notes) -> Result<(), DicomError> {
    if let [(None, _)] = parts {
        return Ok(());
    }
    let disagree = |what: &'static str| Err(DicomError::PartsDisagree { what });
    let mut given: Vec<u32> = Vec::new();
    let (mut total, mut before) = (None, 0u32);
    for (part, _) in parts {
        let Some(part) = part else { return disagree("whether they are parts") };
        if given.last().is_some_and(|last| *last == part.number) {
            return Err(DicomError::PartTwice { number: part.number });
        }
        given.push(part.number);
        if total.is_some() && part.total.is_some() && total != part.total {
            return disagree("the number of parts (In-concatenation Total Number)");
        }
        total = total.or(part.total);
    }
    let last = given.last().copied().unwrap_or(0);
    if total.is_some_and(|total| last > total) {
        return disagree("the number of parts (In-concatenation Total Number)");
    }
    let missing = gaps(&given, total.unwrap_or(last));
    // Nobody says how many there are: a single one cannot be known to be all.
    if !missing.is_empty() || (total.is_none() && given.len() == 1) {
        return Err(DicomError::PartsMissing { given, total, missing });
    }
    for (part, frames) in parts {
        if part.as_ref().and_then(|part| part.offset).is_some_and(|offset| offset != before) {
            return disagree("how many frames stand before each (Concatenation Frame Offset Number)");
        }
        before = before.saturating_add(*frames);
    }
    if total.is_none() {
        notes.assume(format!(
            "no part says how many there are; the {} given follow each other without a gap and were taken as all",
            given.len()
        ));
    }
    Ok(())
}

/// The runs of numbers from 1 to `total` that are not among `given`, which rise
fn gaps(given: &[u32], total: u32) -> Vec<[u32; 2]> {
    let mut runs = Vec::new();
    let mut next = 1;
    for number in given.iter().copied().chain([total.saturating_add(1)]) {
        if number > next {
            runs.push([next, number - 1]);
        }
        next = number.saturating_add(1);
    }
    runs
}

/// Which parts were given, and which are missing, in words
pub(super) fn told(given: &[u32], total: Option<u32>, missing: &[[u32; 2]]) -> String {
    let singles: Vec<[u32; 2]> = given.iter().map(|number| [*number; 2]).collect();
    let of = total.map_or_else(String::new, |total| format!(" of {total}"));
    let lack = if missing.is_empty() { "it does not say of how many".into() } else { lack(missing) };
    if let [number] = given {
        return format!("the file is part {number}{of} of a volume, not a whole one: {lack}");
    }
    format!("{}{of} of a volume were given: {lack}", list(&singles))
}

fn lack(missing: &[[u32; 2]]) -> String {
    let one = matches!(missing, [[first, last]] if first == last);
    format!("{} {} missing", list(missing), if one { "is" } else { "are" })
}

/// `parts 2 and 4 to 7`, at most eight runs
fn list(runs: &[[u32; 2]]) -> String {
    const MOST: usize = 8;
    let mut words: Vec<String> = runs
        .iter()
        .take(MOST)
        .flat_map(|[first, last]| match last - first {
            0 => vec![first.to_string()],
            1 => vec![first.to_string(), last.to_string()],
            _ => vec![format!("{first} to {last}")],
        })
        .collect();
    if runs.len() > MOST {
        words.push("others".to_owned());
    }
    let many = words.len() > 1 || runs.iter().any(|[first, last]| first != last);
    let last = words.pop().unwrap_or_default();
    let text = if words.is_empty() { last } else { format!("{} and {last}", words.join(", ")) };
    format!("{} {text}", if many { "parts" } else { "part" })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(number: u32, total: Option<u32>, offset: Option<u32>) -> (Option<Part>, u32) {
        (Some(Part { uid: "1.2".into(), number, total, offset }), 10)
    }

    #[test]
    fn parts_must_be_all_there_and_in_step() {
        let mut notes = Notes::default();
        let mut check =
            |parts: &[(Option<Part>, u32)]| complete(parts, &mut notes).map_err(|e| e.to_string());
        assert_eq!(check(&[(None, 3)]), Ok(()));
        assert_eq!(check(&[part(1, Some(2), Some(0)), part(2, Some(2), Some(10))]), Ok(()));
        assert_eq!(check(&[part(1, None, None), part(2, Some(2), None)]), Ok(()));
        let notes = &mut Notes::default();
        for (parts, words) in [
            (
                vec![part(2, Some(3), Some(10))],
                "part 2 of 3 of a volume, not a whole one: parts 1 and 3 are missing",
            ),
            (
                vec![part(1, Some(9), None), part(3, Some(9), None)],
                "parts 1 and 3 of 9 of a volume were given: parts 2 and 4 to 9 are missing",
            ),
            (vec![part(1, Some(2), None)], "part 2 is missing"),
            (vec![part(1, Some(3), None)], "parts 2 and 3 are missing"),
            (vec![part(1, None, None)], "it does not say of how many"),
            (vec![part(2, None, None)], "part 1 is missing"),
            (vec![part(1, Some(2), None), part(1, Some(2), None)], "part 1 was given twice"),
            (vec![part(1, Some(2), None), part(2, Some(3), None)], "the number of parts"),
            (vec![part(1, Some(1), None), part(2, Some(1), None)], "the number of parts"),
            (vec![part(1, Some(2), Some(0)), part(2, Some(2), Some(11))], "Frame Offset"),
            (vec![part(1, Some(2), Some(1)), part(2, Some(2), Some(11))], "Frame Offset"),
            (vec![part(1, Some(2), None), (None, 4)], "whether they are parts"),
        ] {
            let text = complete(&parts, notes).unwrap_err().to_string();
            assert!(text.contains(words), "{text}");
        }
        assert!(notes.assumed.is_empty());
        complete(&[part(1, None, None), part(2, None, None)], notes).unwrap();
        assert!(notes.assumed[0].contains("the 2 given"));
        let every: Vec<u32> = (0..40).map(|i| 2 * i + 2).collect();
        assert!(told(&every, Some(u32::MAX), &gaps(&every, u32::MAX)).len() < 200);
    }
}
