//! Why a file of evidence or criteria is refused.

/// Why a file of evidence or criteria is refused
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SeverityError {
    /// Not TOML or JSON, or not of the document's form
    #[error("reading the {what}: {message}")]
    Syntax {
        /// Evidence or criteria
        what: &'static str,
        /// What the parser said, with the line
        message: String,
        /// The known name nearest to an unknown one
        near: Option<String>,
    },
    /// The document names no version or another one
    #[error("reading the {what}: its schema is {found:?}, and this program reads {wanted:?}")]
    Schema {
        /// Evidence or criteria
        what: &'static str,
        /// As in the file; empty where it is missing
        found: String,
        /// What is read
        wanted: &'static str,
    },
    /// A key that does not exist
    #[error("reading the evidence: there is no key `{key}`")]
    UnknownKey {
        /// As in the file
        key: String,
        /// The key nearest to it
        near: Option<String>,
    },
    /// A key stands there twice
    #[error("reading the evidence: `{0}` is given twice")]
    Twice(String),
    /// Something the volume measures was typed
    #[error("reading the evidence: `{0}` is measured in the volume and cannot be entered")]
    Measured(&'static str),
    /// A value of the wrong form
    #[error("reading the evidence: `{key}` must be {wanted}, not {found}")]
    Form {
        /// Which key
        key: String,
        /// What it may be
        wanted: String,
        /// What it is
        found: String,
    },
    /// A number that cannot be meant
    #[error("reading the evidence: `{key}` is {value}, outside {low} to {high} {unit}")]
    Range {
        /// Which key
        key: &'static str,
        /// The number
        value: f64,
        /// The smallest that can be meant
        low: f64,
        /// The largest that can be meant
        high: f64,
        /// Of all three
        unit: &'static str,
    },
    /// A number without its unit that is far from what is usual
    #[error(
        "reading the evidence: `{key}` is {value} {unit}, and {low} to {high} {unit} is usual",
        low = usual[0], high = usual[1]
    )]
    Unusual {
        /// Which key
        key: &'static str,
        /// The number in the item's unit
        value: f64,
        /// The smallest and largest that are usual
        usual: [f64; 2],
        /// Of all three
        unit: &'static str,
        /// The same number with the units in which it would be usual
        meant: Vec<String>,
    },
    /// An error that is not of the size of its value
    #[error(
        "reading the evidence: the error of `{key}` is {error} {unit} at {value} {unit}: errors between 1 and 100 % \
         of the value are usual"
    )]
    UnusualError {
        /// Which key
        key: &'static str,
        /// The value in the item's unit
        value: f64,
        /// Its error
        error: f64,
        /// Of both
        unit: &'static str,
    },
    /// A number in quotes with its error beside it
    #[error("reading the evidence: `{key}` has its value in quotes and its error beside it")]
    Apart {
        /// Which key
        key: &'static str,
        /// Both as one text
        joined: String,
    },
    /// An interval whose ends do not hold its value
    #[error(
        "reading the evidence: the interval of `{key}` must hold its value: {low} to {high} does not hold {value}"
    )]
    Interval {
        /// Which key
        key: &'static str,
        /// The value
        value: f64,
        /// Lower end
        low: f64,
        /// Upper end
        high: f64,
    },
    /// A word that is no choice
    #[error("reading the evidence: `{key}` is {given:?}, and may be {choices}")]
    Choice {
        /// Which key
        key: &'static str,
        /// As in the file
        given: String,
        /// All choices
        choices: String,
        /// The choice nearest to it
        near: Option<String>,
    },
    /// Criteria that contradict themselves
    #[error("reading the criteria: {place}: {message}")]
    Criteria {
        /// Which part of the file
        place: String,
        /// What is wrong with it
        message: String,
    },
    /// No criteria of that name are built in
    #[error("there are no criteria named {given:?}; built in are {names}")]
    NoSuchCriteria {
        /// As asked for
        given: String,
        /// All names
        names: String,
        /// The name nearest to it
        near: Option<String>,
    },
}

impl SeverityError {
    /// What can be done about it
    pub fn hint(&self) -> String {
        let near = match self {
            Self::Syntax { near, .. }
            | Self::UnknownKey { near, .. }
            | Self::Choice { near, .. }
            | Self::NoSuchCriteria { near, .. } => near.as_ref(),
            _ => None,
        };
        if let Some(near) = near {
            return format!("did you mean `{near}`?");
        }
        match self {
            Self::Syntax { what: "criteria", .. } | Self::Criteria { .. } => {
                "`narrows schema criteria` prints the form of the file, docs/grading.md explains it".into()
            }
            Self::Syntax { .. } | Self::UnknownKey { .. } | Self::Choice { .. } | Self::Form { .. } => {
                "`narrows schema evidence` prints every key and its choices, docs/grading.md explains them"
                    .into()
            }
            Self::Schema { wanted, .. } => format!("write schema = \"{wanted}\" at the top of the file"),
            Self::Twice(_) => "keep one of them".into(),
            Self::Measured(_) => "leave it out: the volume's own value is used".into(),
            Self::Range { .. } => {
                "check the number and its unit: the unit stands at the end of the key".into()
            }
            Self::Unusual { unit, meant, .. } => {
                let meant =
                    meant.first().map_or_else(String::new, |meant| format!("was \"{meant}\" meant? "));
                let unit = if unit.is_empty() {
                    ""
                } else {
                    "; a number in quotes with its unit is taken as it stands, unless it is a factor of ten from \
                     anything physiological"
                };
                format!("{meant}check the number and its unit{unit}")
            }
            Self::UnusualError { .. } => {
                "give the error at 95 % in the unit of the value, or `low` and `high`".into()
            }
            Self::Apart { joined, .. } => format!("write \"{joined}\""),
            Self::Interval { .. } => "give low and high on both sides of the value, or an error".into(),
            Self::NoSuchCriteria { .. } => "give one of these names, or the path of a file".into(),
        }
    }
}

/// The candidate most like a word, where one is like it (Jaro-Winkler above 0.8, our own choice)
pub(super) fn nearest<'a>(word: &str, candidates: impl Iterator<Item = &'a str>) -> Option<String> {
    candidates
        .map(|candidate| (strsim::jaro_winkler(word, candidate), candidate))
        .filter(|(likeness, _)| *likeness > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate.to_owned())
}

/// The suggestion in a parser's message of the form ``unknown field `x`, expected one of `a`, `b` ``
pub(super) fn nearest_in(message: &str) -> Option<String> {
    let from = message.find("unknown ")?;
    let mut names = message[from..].split('`').skip(1).step_by(2);
    let unknown = names.next()?;
    nearest(unknown, names)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_finds_its_word() {
        let words = ["vc_width_mm", "vti_ratio", "e_wave_m_s"];
        assert_eq!(nearest("vc_widht_mm", words.into_iter()).as_deref(), Some("vc_width_mm"));
        assert_eq!(nearest("zzz", words.into_iter()), None);
        let message = "at line 3: unknown field `sevre`, expected one of `mild`, `severe`\n";
        assert_eq!(nearest_in(message).as_deref(), Some("severe"));
        assert_eq!(nearest_in("something else"), None);
    }
}
