//! What each edit does to the work.

use std::sync::Arc;

use crate::severity::Criteria;

use super::super::pose::{Pose, Turn};
use super::super::settings::within;
use super::super::tracing::{Closed, Drawn, MOST_VERTICES, Tracing, TracingId};
use super::super::{AddedJet, Command, Effect, JetId, Key, Landmark, Place, ReviewError, beside, shape};
use super::Session;

impl Session {
    pub(super) fn alter(&mut self, command: Command) -> Result<Effect, ReviewError> {
        let place = self.review.place;
        match command {
            Command::Turn(jet, turn) => self.turn_cuts(jet, turn),
            Command::BackToProposed(jet) => self.turn_cuts(jet, Turn::default()),
            Command::AddJet => self.add_jet(),
            Command::Dismiss(jet) => self.dismiss(jet),
            Command::Restore(jet) => {
                self.jet_exists(jet)?;
                self.review.work.dismissed.remove(&jet);
                Ok(Effect::Changed(Key::Cuts))
            }
            Command::AddTracing { points, drawn, threshold } => {
                if points.is_empty() {
                    return Err(ReviewError::Outline("it has no vertex".into()));
                }
                self.new_tracing(points, drawn, Closed::Closed, threshold)
            }
            Command::BeginTracing(point) => self.new_tracing(vec![point], Drawn::ByHand, Closed::Open, None),
            Command::Extend(id, point) => self.reshape(id, |points| {
                points.push(point);
                Ok(())
            }),
            Command::Close(id) => {
                let tracing = self.tracing(id)?;
                let closed = Tracing { closed: Closed::Closed, ..(**tracing).clone() };
                self.put(closed);
                Ok(Effect::Changed(Key::Tracings))
            }
            Command::MoveVertex { tracing, vertex, to } => self.reshape(tracing, |points| {
                *points.get_mut(vertex).ok_or(ReviewError::Vertex { tracing, vertex })? = to;
                Ok(())
            }),
            Command::InsertVertex { tracing, after, at } => self.reshape(tracing, |points| {
                if after >= points.len() {
                    return Err(ReviewError::Vertex { tracing, vertex: after });
                }
                points.insert(after + 1, at);
                Ok(())
            }),
            Command::RemoveVertex { tracing, vertex } => self.remove_vertex(tracing, vertex),
            Command::Smooth(id) => {
                let points = shape::smoothed(&self.counted(id)?.points())?;
                self.reshape(id, |old| {
                    *old = points;
                    Ok(())
                })
            }
            Command::Grow(id, by_mm) => {
                within("the growth", by_mm, -10.0, 10.0)?;
                let points = shape::grown(&self.counted(id)?.points(), by_mm)?;
                self.reshape(id, |old| {
                    *old = points;
                    Ok(())
                })
            }
            Command::CopyToFrame(id, frame) => {
                self.frame_exists(frame)?;
                let original = self.tracing(id)?.clone();
                self.review.place = Place { frame, jet: original.jet, ..place };
                Ok(self.copy(&original, frame))
            }
            Command::Carry(id) => self.carry(id),
            Command::RemoveTracing(id) => {
                self.tracing(id)?;
                self.review.work.tracings.retain(|tracing| tracing.id != id);
                Ok(Effect::Changed(Key::Tracings))
            }
            Command::Mark(landmark, point) => self.mark(landmark, point),
            Command::Set(settings) => {
                settings.check()?;
                self.review.work.settings = settings;
                Ok(Effect::Changed(Key::Settings))
            }
            Command::Enter(..)
            | Command::RemoveEntry(_)
            | Command::Criteria(_)
            | Command::Systole(_)
            | Command::CompareWith(_)
            | Command::Note(_) => {
                self.note(command)?;
                Ok(Effect::Changed(Key::Notes))
            }
            // No edits: `apply` has taken them.
            Command::Frame(_)
            | Command::Select(_)
            | Command::Field(_)
            | Command::ReadBlind
            | Command::Reveal
            | Command::Sign(_)
            | Command::NewVersion
            | Command::Begin
            | Command::Commit
            | Command::Undo
            | Command::Redo => Ok(Effect::Unchanged),
        }
    }

    /// Turns a jet's cuts from where they are proposed; by nothing, back there
    fn turn_cuts(&mut self, jet: JetId, turn: Turn) -> Result<Effect, ReviewError> {
        self.jet_exists(jet)?;
        turn.check()?;
        if turn.is_none() {
            self.review.work.turns.remove(&jet);
        } else {
            self.review.work.turns.insert(jet, turn);
        }
        Ok(Effect::Changed(Key::Cuts))
    }

    /// What stands beside the measurement
    fn note(&mut self, command: Command) -> Result<(), ReviewError> {
        let work = &mut self.review.work;
        match command {
            Command::Enter(item, entry) => work.evidence.put(item, entry)?,
            Command::RemoveEntry(item) => {
                work.evidence.remove(item);
            }
            Command::Criteria(name) => {
                Criteria::built_in(&name)?;
                work.criteria = name;
            }
            Command::Systole(ends) => {
                ends.map_or(Ok(()), beside::check_systole)?;
                work.systole_ms = ends;
            }
            Command::CompareWith(other) => work.other = other,
            Command::Note(text) => work.notes = text,
            _ => {}
        }
        Ok(())
    }

    /// A jet on the plane in view
    fn add_jet(&mut self) -> Result<Effect, ReviewError> {
        let taken = |letter| self.review.has(JetId::Added(letter));
        let Some(letter) = (0..26u8).find(|&letter| !taken(letter)) else {
            return Err(ReviewError::Range {
                what: "the number of placed jets",
                value: 27.0,
                low: 0.0,
                high: 26.0,
            });
        };
        let id = JetId::Added(letter);
        let cut = Pose::from(&self.en_face());
        self.review.work.added.push(AddedJet { id, cut });
        self.review.place.jet = id;
        Ok(Effect::Placed(id))
    }

    /// A found jet is set aside, a placed one goes with its tracings
    fn dismiss(&mut self, jet: JetId) -> Result<Effect, ReviewError> {
        self.jet_exists(jet)?;
        let work = &mut self.review.work;
        match jet {
            JetId::Free => return Err(ReviewError::Jet(jet)),
            JetId::Found(_) => {
                work.dismissed.insert(jet);
            }
            JetId::Added(_) => {
                work.added.retain(|added| added.id != jet);
                work.tracings.retain(|tracing| tracing.jet != jet);
                work.turns.remove(&jet);
            }
        }
        if self.review.place.jet == jet {
            self.review.place.jet = self.review.jets().first().copied().unwrap_or_default();
        }
        Ok(Effect::Changed(Key::Cuts))
    }

    /// With its last vertex a tracing goes
    fn remove_vertex(&mut self, tracing: TracingId, vertex: usize) -> Result<Effect, ReviewError> {
        let found = self.tracing(tracing)?;
        if vertex >= found.points_mm.len() {
            return Err(ReviewError::Vertex { tracing, vertex });
        }
        if found.points_mm.len() == 1 {
            return self.alter(Command::RemoveTracing(tracing));
        }
        self.reshape(tracing, |points| {
            points.remove(vertex);
            Ok(())
        })
    }

    /// Copies a tracing to every frame that shows its jet and has none
    fn carry(&mut self, id: TracingId) -> Result<Effect, ReviewError> {
        let original = self.counted(id)?.clone();
        let there = |frame: &usize| match self.review.found(original.jet) {
            Some(found) => found.frames.get(*frame).is_some_and(|at| at.vca_mm2.is_some() && !at.hidden),
            None => true,
        };
        let bare = |frame: &usize| self.review.work.tracings_of(original.jet, *frame).next().is_none();
        let frames: Vec<usize> =
            (0..self.review.source.frames).filter(|frame| there(frame) && bare(frame)).collect();
        for frame in frames {
            self.copy(&original, frame);
        }
        Ok(Effect::Changed(Key::Tracings))
    }

    fn mark(&mut self, landmark: Landmark, point: Option<[f64; 3]>) -> Result<Effect, ReviewError> {
        for value in point.into_iter().flatten() {
            within("a landmark's coordinate", value, -1e5, 1e5)?;
        }
        let marks = &mut self.review.work.landmarks;
        *match landmark {
            Landmark::Anterior => &mut marks.anterior,
            Landmark::Posterior => &mut marks.posterior,
            Landmark::LateralCommissure => &mut marks.lateral_commissure,
            Landmark::MedialCommissure => &mut marks.medial_commissure,
        } = point;
        Ok(Effect::Changed(Key::Landmarks))
    }

    fn tracing(&self, id: TracingId) -> Result<&Arc<Tracing>, ReviewError> {
        self.review.work.tracing(id).ok_or(ReviewError::Tracing(id))
    }

    /// A tracing that is whole enough to be smoothed or grown
    fn counted(&self, id: TracingId) -> Result<&Arc<Tracing>, ReviewError> {
        let tracing = self.tracing(id)?;
        match tracing.fault_alone() {
            None => Ok(tracing),
            Some(fault) => Err(ReviewError::Outline(fault.to_string())),
        }
    }

    fn next_id(&mut self) -> TracingId {
        let id = TracingId(self.review.work.next_tracing);
        self.review.work.next_tracing += 1;
        id
    }

    fn new_tracing(
        &mut self,
        points_mm: Vec<[f64; 2]>,
        drawn: Drawn,
        closed: Closed,
        threshold: Option<f64>,
    ) -> Result<Effect, ReviewError> {
        check_points(&points_mm)?;
        if self.review.is_blind() && self.review.place.jet == JetId::Free {
            // Without jets to choose from, what is traced is one.
            self.alter(Command::AddJet)?;
        }
        let Place { frame, jet, .. } = self.review.place;
        let cut = Pose::from(&self.en_face());
        let id = self.next_id();
        Ok(self.push(Tracing { id, jet, frame, cut, points_mm, drawn, closed, threshold }))
    }

    /// A tracing on the plane of its jet in another frame
    fn copy(&mut self, original: &Tracing, frame: usize) -> Effect {
        let cut = self.review.base(original.jet, frame).en_face(&self.review.turn(original.jet));
        let copy = Tracing {
            id: self.next_id(),
            frame,
            cut: Pose::from(&cut),
            drawn: if original.drawn == Drawn::ByHand { Drawn::ByHand } else { Drawn::Corrected },
            ..original.clone()
        };
        self.push(copy)
    }

    fn push(&mut self, tracing: Tracing) -> Effect {
        let id = tracing.id;
        self.review.work.tracings.push(Arc::new(tracing));
        Effect::Made(id)
    }

    fn put(&mut self, tracing: Tracing) {
        if let Some(slot) = self.review.work.tracings.iter_mut().find(|old| old.id == tracing.id) {
            *slot = Arc::new(tracing);
        }
    }

    fn reshape(
        &mut self,
        id: TracingId,
        change: impl FnOnce(&mut Vec<[f64; 2]>) -> Result<(), ReviewError>,
    ) -> Result<Effect, ReviewError> {
        let tracing = self.tracing(id)?;
        let mut points = tracing.points_mm.clone();
        change(&mut points)?;
        check_points(&points)?;
        if points == tracing.points_mm {
            return Ok(Effect::Unchanged);
        }
        let redrawn = tracing.redrawn(points);
        self.put(redrawn);
        Ok(Effect::Changed(Key::Tracings))
    }
}

fn check_points(points: &[[f64; 2]]) -> Result<(), ReviewError> {
    if points.len() > MOST_VERTICES {
        return Err(ReviewError::TooManyVertices(points.len()));
    }
    for &value in points.iter().flatten() {
        within("a vertex's coordinate", value, -1e4, 1e4)?;
    }
    Ok(())
}
