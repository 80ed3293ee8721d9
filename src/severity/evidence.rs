//! What the reader enters: one value an item, with an interval where it is known.
//!
//! A file of evidence is TOML or JSON with one key an item ([`Item::key`]). A number stands alone,
//! with its interval (`{ value = 6.5, low = 6, high = 7 }`) or with its error at 95 %
//! (`{ value = 6.5, error = 0.5 }`); in quotes it may have its unit (`"0.44 ± 0.06 cm2"`, see
//! [`Item::read`]). Where no error is given, the grading takes that of the method. A key that does not
//! exist is refused: a misspelt one would silently be missing from the grading.
//!
//! A file that a person wrote ([`Evidence::from_text`]) is queried; a document of this program
//! (`Deserialize`) is not, since what it holds was queried when it was entered.

use std::collections::BTreeMap;
use std::fmt;

use schemars::JsonSchema;
use serde::de::{IgnoredAny, MapAccess, SeqAccess, Visitor};
use serde::ser::SerializeMap;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::{Value, json};

use super::error::{SeverityError, nearest, nearest_in};
use super::item::{Item, Kind};
use crate::numeric::Interval;

/// The name of this version of the evidence file
pub const EVIDENCE_SCHEMA: &str = "narrows/evidence/1";

/// A value that was entered
#[derive(Clone, Debug, PartialEq)]
pub enum Given {
    /// A number with its 95 % interval; the ends are the value where none was given
    Number(Interval),
    /// The key of a choice
    Choice(String),
}

/// A value with where it came from
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// The value
    pub given: Given,
    /// Where it came from, in the reader's words; may be empty
    pub note: String,
}

/// What the reader entered
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Evidence {
    entries: BTreeMap<Item, Entry>,
    note: String,
}

impl Evidence {
    /// Enters or replaces a number
    ///
    /// # Errors
    /// Where the item is a choice, is measured in the volume, or the number cannot be meant.
    pub fn set_number(&mut self, item: Item, value: Interval) -> Result<(), SeverityError> {
        self.put(item, Entry { given: Given::Number(value), note: String::new() })
    }

    /// Enters or replaces a choice by its key
    ///
    /// # Errors
    /// Where the item is a number or has no such choice.
    pub fn set_choice(&mut self, item: Item, key: &str) -> Result<(), SeverityError> {
        self.put(item, Entry { given: Given::Choice(key.to_owned()), note: String::new() })
    }

    /// Enters or replaces a value
    ///
    /// # Errors
    /// As [`Evidence::set_number`] and [`Evidence::set_choice`].
    pub fn put(&mut self, item: Item, entry: Entry) -> Result<(), SeverityError> {
        check(item, &entry.given)?;
        self.entries.insert(item, entry);
        Ok(())
    }

    /// Takes a value out
    pub fn remove(&mut self, item: Item) -> Option<Entry> {
        self.entries.remove(&item)
    }

    /// What was entered for an item
    pub fn get(&self, item: Item) -> Option<&Entry> {
        self.entries.get(&item)
    }

    /// The number entered for an item
    pub fn number(&self, item: Item) -> Option<Interval> {
        match self.get(item)?.given {
            Given::Number(value) => Some(value),
            Given::Choice(_) => None,
        }
    }

    /// The key of the choice entered for an item
    pub fn choice(&self, item: Item) -> Option<&str> {
        match &self.get(item)?.given {
            Given::Choice(key) => Some(key),
            Given::Number(_) => None,
        }
    }

    /// Everything entered, in the order of [`Item::ALL`]
    pub fn iter(&self) -> impl Iterator<Item = (Item, &Entry)> {
        self.entries.iter().map(|(item, entry)| (*item, entry))
    }

    /// Whether nothing was entered
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Free text about all of it
    pub fn note(&self) -> &str {
        &self.note
    }

    /// Reads a file that a person wrote: JSON where it begins with a brace, TOML otherwise
    ///
    /// # Errors
    /// See [`SeverityError`].
    pub fn from_text(text: &str) -> Result<Self, SeverityError> {
        let syntax = |message: String| SeverityError::Syntax {
            what: "evidence",
            near: nearest_in(&message),
            message: message.trim_end().to_owned(),
        };
        let raw: Raw = if text.trim_start().starts_with('{') {
            serde_json::from_str(text).map_err(|error| syntax(error.to_string()))?
        } else {
            toml::from_str(text).map_err(|error| syntax(error.to_string()))?
        };
        Self::from_raw(raw, Source::Person)
    }

    fn from_raw(raw: Raw, source: Source) -> Result<Self, SeverityError> {
        let mut evidence = Self::default();
        let (mut schema, mut seen) = (String::new(), Vec::new());
        let Raw::Table(pairs) = raw else { return Err(form("the file", "a table of keys", &raw)) };
        for (key, value) in pairs {
            if seen.contains(&key) {
                return Err(SeverityError::Twice(key));
            }
            seen.push(key.clone());
            match (key.as_str(), value) {
                ("schema", Raw::Text(text)) => schema = text,
                ("note", Raw::Text(text)) => evidence.note = text,
                ("schema" | "note", other) => return Err(form(&key, "text", &other)),
                (_, value) => {
                    let Some(item) = Item::of_key(&key) else {
                        let keys = Item::ALL.into_iter().filter(|item| item.is_entered()).map(Item::key);
                        let near = nearest(&key, keys.chain(["schema", "note"]));
                        return Err(SeverityError::UnknownKey { key, near });
                    };
                    evidence.put(item, entry(item, value, source)?)?;
                }
            }
        }
        if schema != EVIDENCE_SCHEMA {
            return Err(SeverityError::Schema { what: "evidence", found: schema, wanted: EVIDENCE_SCHEMA });
        }
        Ok(evidence)
    }
}

fn check(item: Item, given: &Given) -> Result<(), SeverityError> {
    let key = item.key();
    if !item.is_entered() {
        return Err(SeverityError::Measured(key));
    }
    match (item.field().kind, given) {
        (Kind::Number { unit, low, high, .. }, Given::Number(number)) => {
            for value in [number.value, number.low, number.high] {
                if !(low..=high).contains(&value) {
                    return Err(SeverityError::Range { key, value, low, high, unit });
                }
            }
            if !(number.low..=number.high).contains(&number.value) {
                let Interval { value, low, high } = *number;
                return Err(SeverityError::Interval { key, value, low, high });
            }
            Ok(())
        }
        (Kind::Choice(choices), Given::Choice(given)) => {
            let keys = || choices.iter().map(|choice| choice.key);
            if keys().any(|key| key == given) {
                return Ok(());
            }
            let listed: Vec<String> = keys().map(|key| format!("{key:?}")).collect();
            Err(SeverityError::Choice {
                key,
                given: given.clone(),
                choices: listed.join(", "),
                near: nearest(given, keys()),
            })
        }
        (Kind::Number { .. }, Given::Choice(text)) => Err(form(key, &wanted(item), &Raw::Text(text.clone()))),
        (Kind::Choice(_), Given::Number(number)) => Err(form(key, &wanted(item), &Raw::Number(number.value))),
    }
}

/// What an item may be, in words
fn wanted(item: Item) -> String {
    match item.field().kind {
        Kind::Number { unit: "", .. } => "a number".into(),
        Kind::Number { unit, .. } => format!("a number in {unit}"),
        Kind::Choice(choices) => {
            let keys: Vec<String> = choices.iter().map(|choice| format!("{:?}", choice.key)).collect();
            format!("one of {}", keys.join(", "))
        }
    }
}

fn form(key: &str, wanted: &str, found: &Raw) -> SeverityError {
    let found = match found {
        Raw::Number(value) => value.to_string(),
        Raw::Text(text) => format!("{text:?}"),
        Raw::Table(_) => "a table".into(),
        Raw::Other(what) => (*what).to_owned(),
    };
    SeverityError::Form { key: key.to_owned(), wanted: wanted.to_owned(), found }
}

/// Who wrote it
#[derive(Clone, Copy, PartialEq, Eq)]
enum Source {
    /// A person: numbers without a unit are queried
    Person,
    /// This program
    Document,
}

/// A text: the key of a choice, or a number with its unit
fn text_given(item: Item, text: String) -> Result<Given, SeverityError> {
    match item.field().kind {
        Kind::Number { unit, .. } => item.read(&text, unit).map(Given::Number),
        Kind::Choice(_) => Ok(Given::Choice(text)),
    }
}

/// One item's value, alone or as a table with its interval and note
fn entry(item: Item, raw: Raw, source: Source) -> Result<Entry, SeverityError> {
    let key = item.key();
    let query = |value: f64| match source {
        Source::Person => item.query(value, 1.0, 1.0),
        Source::Document => Ok(()),
    };
    let pairs = match raw {
        Raw::Number(value) => {
            query(value)?;
            return Ok(Entry { given: Given::Number(Interval::exactly(value)), note: String::new() });
        }
        Raw::Text(text) => return Ok(Entry { given: text_given(item, text)?, note: String::new() }),
        Raw::Other(_) => return Err(form(key, &wanted(item), &raw)),
        Raw::Table(pairs) => pairs,
    };
    let mut numbers: BTreeMap<String, f64> = BTreeMap::new();
    let (mut choice, mut note, mut seen) = (None, String::new(), Vec::new());
    for (inner, value) in pairs {
        let path = format!("{key}.{inner}");
        if seen.contains(&inner) {
            return Err(SeverityError::Twice(path));
        }
        seen.push(inner.clone());
        match (inner.as_str(), value) {
            ("note", Raw::Text(text)) => note = text,
            ("value", Raw::Text(text)) => choice = Some(text),
            ("value" | "low" | "high" | "error", Raw::Number(number)) => {
                if inner != "error" {
                    query(number)?;
                }
                numbers.insert(inner, number);
            }
            ("note", other) => return Err(form(&path, "text", &other)),
            ("value", other) => return Err(form(&path, &wanted(item), &other)),
            ("low" | "high" | "error", other) => return Err(form(&path, "a number", &other)),
            _ => {
                let near = nearest(&inner, ["value", "low", "high", "error", "note"].into_iter());
                return Err(SeverityError::UnknownKey { key: path, near });
            }
        }
    }
    let get = |name: &str| numbers.get(name).copied();
    let ends = "a value alone, with `low` and `high`, or with `error`";
    let wrong =
        || SeverityError::Form { key: key.to_owned(), wanted: ends.into(), found: "another mixture".into() };
    let given = match (choice, get("value"), get("low"), get("high"), get("error")) {
        (Some(text), None, None, None, None) => text_given(item, text)?,
        (Some(text), None, None, None, Some(error)) => {
            let joined = item.joined(&text, error).ok_or_else(wrong)?;
            return Err(SeverityError::Apart { key, joined });
        }
        (None, Some(value), None, None, None) => Given::Number(Interval::exactly(value)),
        (None, Some(value), Some(low), Some(high), None) => Given::Number(Interval { value, low, high }),
        (None, Some(value), None, None, Some(error)) if error >= 0.0 => {
            if source == Source::Person {
                item.query_error(value, error)?;
            }
            // An error may reach past the end of what can be; the interval stops there.
            let (least, most) = match item.field().kind {
                Kind::Number { low, high, .. } => (low.min(value), high.max(value)),
                Kind::Choice(_) => (value, value),
            };
            let ends = Interval { value, low: (value - error).max(least), high: (value + error).min(most) };
            Given::Number(ends)
        }
        _ => return Err(wrong()),
    };
    Ok(Entry { given, note })
}

/// A parsed value before it is known what it should be
#[derive(Debug)]
enum Raw {
    Number(f64),
    Text(String),
    Table(Vec<(String, Raw)>),
    Other(&'static str),
}

impl<'de> Deserialize<'de> for Raw {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Any;
        impl<'de> Visitor<'de> for Any {
            type Value = Raw;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number, text or a table")
            }
            fn visit_f64<E>(self, value: f64) -> Result<Raw, E> {
                Ok(Raw::Number(value))
            }
            fn visit_i64<E>(self, value: i64) -> Result<Raw, E> {
                Ok(Raw::Number(value as f64))
            }
            fn visit_u64<E>(self, value: u64) -> Result<Raw, E> {
                Ok(Raw::Number(value as f64))
            }
            fn visit_str<E>(self, text: &str) -> Result<Raw, E> {
                Ok(Raw::Text(text.to_owned()))
            }
            fn visit_bool<E>(self, _: bool) -> Result<Raw, E> {
                Ok(Raw::Other("true or false"))
            }
            fn visit_unit<E>(self) -> Result<Raw, E> {
                Ok(Raw::Other("null"))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Raw, A::Error> {
                while seq.next_element::<IgnoredAny>()?.is_some() {}
                Ok(Raw::Other("a list"))
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Raw, A::Error> {
                let mut pairs = Vec::new();
                while let Some(pair) = map.next_entry::<String, Raw>()? {
                    pairs.push(pair);
                }
                Ok(Raw::Table(pairs))
            }
        }
        deserializer.deserialize_any(Any)
    }
}

impl<'de> Deserialize<'de> for Evidence {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Self::from_raw(Raw::deserialize(deserializer)?, Source::Document).map_err(serde::de::Error::custom)
    }
}

impl Serialize for Evidence {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("schema", EVIDENCE_SCHEMA)?;
        if !self.note.is_empty() {
            map.serialize_entry("note", &self.note)?;
        }
        for (item, Entry { given, note }) in self.iter() {
            let mut long = match given {
                Given::Choice(choice) => json!({ "value": choice }),
                Given::Number(Interval { value, low, high }) if low >= high => json!({ "value": value }),
                Given::Number(Interval { value, low, high }) => {
                    json!({ "value": value, "low": low, "high": high })
                }
            };
            if !note.is_empty() {
                long["note"] = json!(note);
            }
            let alone = long.as_object().is_some_and(|long| long.len() == 1);
            map.serialize_entry(item.key(), if alone { &long["value"] } else { &long })?;
        }
        map.end()
    }
}

impl JsonSchema for Evidence {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Evidence".into()
    }

    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        let note = json!({ "type": "string", "description": "Where it came from" });
        let long = |rest: Value, required: Value| {
            let mut properties = rest;
            properties["note"] = note.clone();
            json!({
                "type": "object", "additionalProperties": false,
                "properties": properties, "required": required
            })
        };
        let mut properties = json!({
            "schema": { "const": EVIDENCE_SCHEMA },
            "note": { "type": "string", "description": "Free text" }
        });
        for item in Item::ALL.into_iter().filter(|item| item.is_entered()) {
            properties[item.key()] = match item.field().kind {
                Kind::Number { unit, low, high, .. } => {
                    let n = json!({ "type": "number", "minimum": low, "maximum": high });
                    let typed = json!({ "type": "string", "description": "With its unit: 0.44 ± 0.06 cm2" });
                    let error = json!({ "type": "number", "minimum": 0 });
                    let unit = if unit.is_empty() { "no unit" } else { unit };
                    json!({
                        "description": format!("{}, {unit}", item.label()),
                        "anyOf": [
                            n, typed,
                            long(json!({ "value": typed }), json!(["value"])),
                            long(json!({ "value": n, "low": n, "high": n }), json!(["value", "low", "high"])),
                            long(json!({ "value": n, "error": error }), json!(["value"]))
                        ]
                    })
                }
                Kind::Choice(choices) => {
                    let keys: Vec<&str> = choices.iter().map(|choice| choice.key).collect();
                    let keys = json!({ "enum": keys });
                    let alone = long(json!({ "value": keys }), json!(["value"]));
                    json!({ "description": item.label(), "anyOf": [keys, alone] })
                }
            };
        }
        schemars::json_schema!({
            "type": "object",
            "description": "What a reader knows beside the volume; a number may have an interval or an error at 95 %",
            "additionalProperties": false,
            "required": ["schema"],
            "properties": properties
        })
    }
}
