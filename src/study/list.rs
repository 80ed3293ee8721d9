//! A reading list: volumes in a sealed random order, their identity hidden, repeats mixed in.
//!
//! The list that readers get holds opaque names only. The key that says which volume hides behind a name
//! stays with whoever runs the study; its hash stands in the list, so that nobody can change the key
//! afterwards without being found out.

use rand_core::Rng as _;
use serde::{Deserialize, Serialize};

use super::resample::{generator, shuffle};

/// The name of this version of the list
pub const LIST_SCHEMA: &str = "narrows/readings/1";
/// The name of this version of the key
pub const KEY_SCHEMA: &str = "narrows/readings-key/1";
/// Orders that are tried before a repeat may follow its own first reading
const TRIES: usize = 1000;

/// What readers get
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingList {
    /// Always `narrows/readings/1`
    pub schema: String,
    /// BLAKE3 of the key file's bytes, hexadecimal
    pub key_blake3: String,
    /// Each reader's order
    pub readers: Vec<ReaderOrder>,
}

/// One reader's order
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReaderOrder {
    /// Name of the reader
    pub reader: String,
    /// Opaque names of the readings, in the order to read them
    pub order: Vec<String>,
}

/// What stays with whoever runs the study
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadingKey {
    /// Always `narrows/readings-key/1`
    pub schema: String,
    /// Start of the random numbers
    pub seed: u64,
    /// What hides behind each name, in order of volume and repeat
    pub items: Vec<KeyItem>,
}

/// What hides behind one name
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeyItem {
    /// The opaque name
    pub id: String,
    /// The volume
    pub volume: String,
    /// BLAKE3 of its bytes, hexadecimal
    pub blake3: String,
    /// Which reading of it, from 1
    pub repeat: u32,
    /// Whose
    pub reader: String,
}

/// Makes list and key; `key_text` of the key must be stored as it is, since its hash is in the list
///
/// `volumes` holds names and hashes; each is read `repeats` times by every reader, at least once.
pub fn make(
    volumes: &[(String, String)],
    readers: &[String],
    repeats: u32,
    seed: u64,
) -> (ReadingList, ReadingKey) {
    let mut random = generator(seed);
    let mut items = Vec::new();
    let mut orders = Vec::new();
    for reader in readers {
        let mut own: Vec<KeyItem> = Vec::new();
        for (volume, blake3) in volumes {
            for repeat in 1..=repeats.max(1) {
                own.push(KeyItem {
                    id: name(&mut random),
                    volume: volume.clone(),
                    blake3: blake3.clone(),
                    repeat,
                    reader: reader.clone(),
                });
            }
        }
        let mut order: Vec<usize> = (0..own.len()).collect();
        for _ in 0..TRIES {
            shuffle(&mut random, &mut order);
            // The same volume twice in a row would be recognised.
            if order.windows(2).all(|pair| own[pair[0]].blake3 != own[pair[1]].blake3) {
                break;
            }
        }
        // Which name of a volume is its first reading follows from the order.
        let mut count = std::collections::BTreeMap::new();
        for &at in &order {
            let next = count.entry(own[at].volume.clone()).or_insert(0);
            *next += 1;
            own[at].repeat = *next;
        }
        let names = order.iter().map(|&at| own[at].id.clone()).collect();
        orders.push(ReaderOrder { reader: reader.clone(), order: names });
        own.sort_by(|a, b| (&a.volume, a.repeat).cmp(&(&b.volume, b.repeat)));
        items.extend(own);
    }
    let key = ReadingKey { schema: KEY_SCHEMA.to_owned(), seed, items };
    let key_blake3 = seal(&key_text(&key));
    (ReadingList { schema: LIST_SCHEMA.to_owned(), key_blake3, readers: orders }, key)
}

/// A key as it is stored
pub fn key_text<Key: Serialize>(key: &Key) -> String {
    // A key is plain JSON; an empty text would only fail to match its seal.
    let mut text = serde_json::to_string_pretty(key).unwrap_or_default();
    text.push('\n');
    text
}

/// The seal of a stored key: BLAKE3 of its bytes, hexadecimal
pub fn seal(key_text: &str) -> String {
    blake3::hash(key_text.as_bytes()).to_hex().to_string()
}

/// Whether a stored key is the one that a list was sealed with
pub fn is_sealed_with(key_blake3: &str, key_text: &str) -> bool {
    seal(key_text) == key_blake3
}

/// Eight letters and digits that cannot be mistaken for each other
fn name(random: &mut rand_pcg::Pcg64) -> String {
    const SIGNS: &[u8; 32] = b"23456789abcdefghjkmnpqrstuvwxyz0";
    let mut bits = random.next_u64();
    (0..10)
        .map(|_| {
            let sign = SIGNS[(bits % 32) as usize];
            bits /= 32;
            char::from(sign)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_volume_is_read_as_often_as_asked_and_nobody_sees_which() {
        let volumes: Vec<(String, String)> =
            (0..12).map(|i| (format!("case{i:02}.dcm"), format!("{i:064x}"))).collect();
        let readers = ["ann".to_owned(), "bo".to_owned()];
        let (list, key) = make(&volumes, &readers, 2, 9);
        assert_eq!((list.readers.len(), key.items.len()), (2, 48));
        let shown = serde_json::to_string(&list).unwrap();
        assert!(!shown.contains("case") && !shown.contains("seed"));
        let names: BTreeSet<&String> = list.readers.iter().flat_map(|r| &r.order).collect();
        assert_eq!(names.len(), 48);
        for own in &list.readers {
            let of = |id: &String| key.items.iter().find(|item| item.id == *id).unwrap();
            assert!(own.order.iter().all(|id| of(id).reader == own.reader));
            // No volume twice in a row, and the first reading comes first.
            assert!(own.order.windows(2).all(|pair| of(&pair[0]).volume != of(&pair[1]).volume));
            let mut seen = BTreeSet::new();
            for id in &own.order {
                let item = of(id);
                assert_eq!(item.repeat, if seen.insert(item.volume.clone()) { 1 } else { 2 });
            }
        }
        assert_ne!(
            list.readers[0]
                .order
                .iter()
                .map(|id| key.items.iter().find(|i| i.id == *id).unwrap().volume.clone())
                .collect::<Vec<_>>(),
            list.readers[1]
                .order
                .iter()
                .map(|id| key.items.iter().find(|i| i.id == *id).unwrap().volume.clone())
                .collect::<Vec<_>>()
        );
        let text = key_text(&key);
        assert!(is_sealed_with(&list.key_blake3, &text));
        assert!(!is_sealed_with(&list.key_blake3, &text.replace("case00", "case01")));
        assert_eq!(make(&volumes, &readers, 2, 9), (list.clone(), key));
        assert_ne!(make(&volumes, &readers, 2, 10).0, list);
    }
}
