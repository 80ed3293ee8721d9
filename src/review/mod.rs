//! The review: the document of one reading, and everything that can be done to it.
//!
//! A [`Review`] has four parts that live by different rules. [`Source`] says which volume was read,
//! by hash. `results` is what the measurement found: facts about the volume, never undone. [`Work`]
//! is what the reader did: cuts turned, tracings, landmarks, settings, entries, notes; undo and
//! redo run over exactly this part. [`Place`] is where the reader was looking; moving about is no
//! edit, but an undo returns to the place of the edit it undoes.
//!
//! Only [`Session::apply`] changes a review, and it takes a [`Command`]; the viewer, the tests and
//! the command line all speak that one language. History is kept as whole snapshots of the work.
//! Heavy parts sit behind `Arc`, so a snapshot costs some hundred bytes and undoing needs no
//! inverse of any command: the trade is a little memory for an undo that cannot be wrong.
//!
//! ```
//! use narrows::review::{Command, Review, Session, Source};
//!
//! let mut session = Session::new(Review::new(Source::default()));
//! session.apply(Command::Note("two jets, the medial one late".into()))?;
//! session.apply(Command::Undo)?;
//! assert_eq!(session.review().work.notes, "");
//! # Ok::<(), narrows::review::ReviewError>(())
//! ```

mod attempts;
mod beside;
mod command;
mod document;
mod error;
mod file;
mod journal;
mod migrate;
mod other;
mod pose;
mod practice;
mod reader;
mod reading;
mod recheck;
mod session;
mod settings;
mod shape;
mod tracing;
mod truth;

pub use attempts::{AttemptError, SavedReview, saved_below, saved_in, scored};
pub use command::{Command, Effect, Key, Landmark};
pub use document::{AddedJet, JetId, Landmarks, Place, Review, SCHEMA, Sight, SignOff, Source, Work};
pub use error::ReviewError;
pub use file::{Different, Located, accept, as_read, load, locate, parse, save, write_text};
pub use journal::{Journal, Left, Orphan, Recovery, orphans, state_folder};
pub use other::{OtherError, OtherVolume, When, against};
pub use pose::{Base, Pose, Turn};
pub use practice::practised;
pub use reader::{Read, Reader};
pub use reading::{numbers, options, read_beat, reread};
pub use recheck::{Change, RECHECK_SCHEMA, Recheck, compare, saved_results, told};
pub use session::{History, Session};
pub use settings::{ColourMap, ImpliedCircle, Settings};
pub use tracing::{Closed, Drawn, Fault, Tracing, TracingId};
pub use truth::{LIST_FILE, NoTruth, is_of_set, is_practice, key_of, key_path};
