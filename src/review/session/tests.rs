use proptest::prelude::*;

use super::*;
use crate::numeric::Interval;
use crate::review::{ColourMap, Drawn, Landmark, Settings, Sight, SignOff, Source, TracingId, parse};
use crate::severity::{Criteria, Entry, Given, Item};

fn session() -> Session {
    Session::new(Review::new(Source { frames: 4, ..Source::default() }))
}

fn ring() -> Command {
    let points = (0..12)
        .map(|i| {
            let (sin, cos) = libm::sincos(f64::from(i) / 12.0 * std::f64::consts::TAU);
            [3.0 * cos, 2.0 * sin]
        })
        .collect();
    Command::AddTracing { points, drawn: Drawn::Proposed, threshold: Some(0.4) }
}

fn by_hand() -> Command {
    match ring() {
        Command::AddTracing { points, .. } => {
            Command::AddTracing { points, drawn: Drawn::ByHand, threshold: None }
        }
        other => other,
    }
}

#[test]
fn an_undo_returns_to_the_place_of_the_edit() {
    let mut session = session();
    session.apply(Command::Frame(2)).unwrap();
    assert!(!session.can_undo(), "looking is no edit");
    assert_eq!(session.apply(ring()).unwrap(), Effect::Made(TracingId(0)));
    session.apply(Command::Frame(0)).unwrap();
    session.apply(Command::Undo).unwrap();
    assert_eq!(session.review().place.frame, 2);
    assert!(session.review().work.tracings.is_empty());
    session.apply(Command::Redo).unwrap();
    assert_eq!(session.review().work.tracings.len(), 1);
}

#[test]
fn a_drag_is_one_step() {
    let mut session = session();
    session.apply(Command::Begin).unwrap();
    for degrees in 1..=30 {
        let turn = Turn { roll: f64::from(degrees).to_radians(), ..Turn::default() };
        session.apply(Command::Turn(JetId::Free, turn)).unwrap();
    }
    session.apply(Command::Commit).unwrap();
    assert_eq!(session.past.len(), 1);
    session.apply(Command::Undo).unwrap();
    assert!(session.turn().is_none());
    session.apply(Command::Redo).unwrap();
    assert!((session.turn().roll.to_degrees() - 30.0).abs() < 1e-12);
}

#[test]
fn a_changed_proposal_says_who_changed_it() {
    let mut session = session();
    session.apply(ring()).unwrap();
    let id = TracingId(0);
    assert_eq!(session.review().work.tracing(id).unwrap().drawn, Drawn::Proposed);
    session.apply(Command::MoveVertex { tracing: id, vertex: 0, to: [4.0, 0.0] }).unwrap();
    assert_eq!(session.review().work.tracing(id).unwrap().drawn, Drawn::Corrected);
    assert_eq!(session.review().work.tracing(id).unwrap().fault_alone(), None);
    let far = Command::MoveVertex { tracing: id, vertex: 0, to: [-9.0, 0.5] };
    session.apply(far).unwrap();
    let fault = session.review().work.tracing(id).unwrap().fault_alone();
    assert!(matches!(fault, Some(crate::review::Fault::Crossed(_))), "{fault:?}");
    assert!(matches!(session.apply(Command::Smooth(id)), Err(ReviewError::Outline(_))));
}

#[test]
fn drawing_by_clicks_ends_in_a_counted_polygon() {
    let mut session = session();
    let Effect::Made(id) = session.apply(Command::BeginTracing([0.0, 0.0])).unwrap() else { panic!() };
    for point in [[4.0, 0.0], [4.0, 3.0]] {
        session.apply(Command::Extend(id, point)).unwrap();
    }
    assert_eq!(session.review().work.tracing(id).unwrap().fault_alone(), Some(crate::review::Fault::Open));
    session.apply(Command::Close(id)).unwrap();
    assert_eq!(session.review().work.tracing(id).unwrap().fault_alone(), None);
    session.apply(Command::CopyToFrame(id, 3)).unwrap();
    assert_eq!(session.review().place.frame, 3);
    assert_eq!(session.review().work.tracings_of(JetId::Free, 3).count(), 1);
    for _ in 0..3 {
        session.apply(Command::RemoveVertex { tracing: id, vertex: 0 }).unwrap();
    }
    assert!(session.review().work.tracing(id).is_none(), "the last vertex takes the tracing with it");
}

#[test]
fn what_is_signed_off_is_locked_until_a_new_version() {
    let mut session = session();
    session.apply(ring()).unwrap();
    let sign_off = SignOff { reader: "A. Reader".into(), study: "S-1".into(), date: "today".into() };
    session.apply(Command::Sign(sign_off.clone())).unwrap();
    let signed = session.review().clone();
    let grown = Command::Grow(TracingId(0), 0.1);
    for command in [grown.clone(), Command::Undo, Command::Note("later".into()), Command::Sign(sign_off)] {
        assert!(matches!(session.apply(command), Err(ReviewError::Signed(reader)) if reader == "A. Reader"));
    }
    assert_eq!(session.review(), &signed);
    // Looking is free.
    session.apply(Command::Frame(1)).unwrap();
    session.apply(Command::Set(Settings { colour_map: ColourMap::Cyclic, ..Settings::default() })).unwrap();
    session.apply(Command::NewVersion).unwrap();
    session.apply(grown).unwrap();
    assert_eq!((session.review().edition, &session.review().signed), (2, &None));
}

#[test]
fn a_tracing_is_carried_to_the_frames_that_have_none() {
    let mut session = session();
    session.apply(ring()).unwrap();
    session.apply(Command::CopyToFrame(TracingId(0), 2)).unwrap();
    session.apply(Command::Carry(TracingId(0))).unwrap();
    let frames: Vec<usize> = session.review().work.tracings.iter().map(|tracing| tracing.frame).collect();
    assert_eq!(frames, [0, 2, 1, 3]);
    session.apply(Command::Undo).unwrap();
    assert_eq!(session.review().work.tracings.len(), 2, "one step");
}

#[test]
fn a_display_setting_is_no_step_and_no_work() {
    let mut session = session();
    let shown = Settings { colour_gain: 0.4, ..Settings::default() };
    session.apply(Command::Set(shown)).unwrap();
    assert!(!session.can_undo() && !session.is_unsaved());
    session.apply(ring()).unwrap();
    session.apply(Command::Set(Settings { threshold: Some(0.4), ..shown })).unwrap();
    session.apply(Command::Undo).unwrap();
    session.apply(Command::Undo).unwrap();
    assert_eq!(session.review().work.settings, shown);
    let mut again = Session::resume(session.review().clone(), session.history());
    again.apply(Command::Redo).unwrap();
    assert_eq!(again.review().work.tracings.len(), 1, "a history goes with the work");
}

#[test]
fn a_newer_outline_replaces_an_older_one_of_another_jet() {
    let mut session = session();
    for _ in 0..2 {
        session.apply(Command::AddJet).unwrap();
        session.apply(ring()).unwrap();
    }
    let work = &session.review().work;
    let faults: Vec<_> = work.tracings.iter().map(|tracing| work.fault(tracing)).collect();
    assert_eq!(faults, [Some(crate::review::Fault::Replaced), None]);
    // Of a plane that belongs to no jet nothing counts, and nothing is replaced.
    session.apply(Command::Select(JetId::Free)).unwrap();
    session.apply(ring()).unwrap();
    let work = &session.review().work;
    assert_eq!(work.fault(&work.tracings[1]), None);
}

#[test]
fn a_blind_reading_is_kept_with_the_tracings_that_were_made_blind() {
    let mut session = session();
    session.apply(Command::ReadBlind).unwrap();
    assert!(session.review().is_blind() && !session.is_unsaved() && !session.can_undo());
    assert!(matches!(session.apply(Command::Reveal), Err(ReviewError::NothingRead)));
    // What is traced is a jet of the reader's own.
    session.apply(by_hand()).unwrap();
    assert_eq!(session.review().work.tracings[0].jet, JetId::Added(0));
    let made = session.review().work.tracings.clone();
    session.apply(Command::Reveal).unwrap();
    assert_eq!(session.review().sight, Sight::Revealed { blind: made.clone() });
    assert!(session.review().is_read_blind() && !self::session().review().is_read_blind());
    // Neither undo nor the file forgets it, and what is changed afterwards is no longer blind.
    session.apply(Command::Grow(TracingId(0), 0.5)).unwrap();
    assert!(!session.review().is_read_blind());
    assert!(!session.review().is_made_blind(&session.review().work.tracings[0]));
    session.apply(Command::Undo).unwrap();
    assert!(session.review().is_made_blind(&session.review().work.tracings[0]));
    let saved = serde_json::to_string(session.review()).unwrap();
    assert_eq!(parse(&saved).unwrap().sight, Sight::Revealed { blind: made });
    assert!(matches!(session.apply(Command::ReadBlind), Err(ReviewError::Seen)));
    // That there is no jet is a reading too; an open reading has nothing to reveal.
    let mut none = self::session();
    assert_eq!(none.apply(Command::Reveal).unwrap(), Effect::Unchanged);
    none.apply(Command::ReadBlind).unwrap();
    none.apply(Command::Note("no jet".into())).unwrap();
    none.apply(Command::Reveal).unwrap();
    assert_eq!(none.review().sight, Sight::Revealed { blind: Vec::new() });
}

#[test]
fn refused_commands_change_nothing() {
    let mut session = session();
    session.apply(ring()).unwrap();
    let before = session.review().clone();
    let id = TracingId(0);
    let refused = [
        Command::Frame(4),
        Command::Select(JetId::Found(1)),
        Command::Turn(JetId::Free, Turn { roll: f64::NAN, ..Turn::default() }),
        Command::MoveVertex { tracing: id, vertex: 99, to: [0.0; 2] },
        Command::MoveVertex { tracing: id, vertex: 0, to: [f64::INFINITY, 0.0] },
        Command::RemoveTracing(TracingId(5)),
        Command::Grow(id, -5.0),
        Command::Set(Settings { colour_gain: 2.0, ..Settings::default() }),
        enter(Item::VcWidthMm, -1.0),
        enter(Item::VcaMm2, 40.0),
        enter(Item::Mechanism, 1.0),
        Command::Criteria("no-such-table".into()),
        Command::Systole(Some([300.0, 60.0])),
        Command::Dismiss(JetId::Free),
    ];
    for command in refused {
        let told = format!("{command:?}");
        assert!(session.apply(command).is_err(), "{told}");
        assert_eq!(session.review(), &before, "{told}");
    }
    assert_eq!(session.past.len(), 1);
}

fn enter(item: Item, value: f64) -> Command {
    Command::Enter(item, Entry { given: Given::Number(Interval::exactly(value)), note: String::new() })
}

fn commands() -> impl Strategy<Value = Command> {
    let id = (0u32..4).prop_map(TracingId);
    let point = || (-9.0..9.0f64, -9.0..9.0f64).prop_map(|(u, v)| [u, v]);
    let jet = || prop_oneof![Just(JetId::Free), (0u8..3).prop_map(JetId::Added)];
    let turn = (-1.0..1.0f64, -3.0..3.0f64, -9.0..9.0f64).prop_map(|(t, roll, level_mm)| Turn {
        tilt: [t, -t, 0.3 * t],
        roll,
        level_mm,
        shift_mm: [t, t, t],
    });
    prop_oneof![
        (0usize..5).prop_map(Command::Frame),
        jet().prop_map(Command::Select),
        (0.0..90.0f64).prop_map(Command::Field),
        (jet(), turn).prop_map(|(jet, turn)| Command::Turn(jet, turn)),
        jet().prop_map(Command::BackToProposed),
        Just(Command::AddJet),
        jet().prop_map(Command::Dismiss),
        Just(ring()),
        point().prop_map(Command::BeginTracing),
        (id.clone(), point()).prop_map(|(id, at)| Command::Extend(id, at)),
        id.clone().prop_map(Command::Close),
        (id.clone(), 0usize..14, point()).prop_map(|(tracing, vertex, to)| Command::MoveVertex {
            tracing,
            vertex,
            to
        }),
        (id.clone(), 0usize..14, point()).prop_map(|(tracing, after, at)| Command::InsertVertex {
            tracing,
            after,
            at
        }),
        (id.clone(), 0usize..14).prop_map(|(tracing, vertex)| Command::RemoveVertex { tracing, vertex }),
        id.clone().prop_map(Command::Smooth),
        (id.clone(), -1.0..1.0f64).prop_map(|(id, by)| Command::Grow(id, by)),
        (id.clone(), 0usize..5).prop_map(|(id, frame)| Command::CopyToFrame(id, frame)),
        id.prop_map(Command::RemoveTracing),
        (0usize..4, proptest::option::of(Just([1.0, 2.0, 3.0])))
            .prop_map(|(i, at)| Command::Mark(Landmark::ALL[i], at)),
        (0.0..1.0f64).prop_map(|colour_gain| Command::Set(Settings {
            colour_gain,
            colour_map: ColourMap::Cyclic,
            ..Settings::default()
        })),
        (0usize..Item::ALL.len(), 0.0..4.0f64).prop_map(|(i, value)| enter(Item::ALL[i], value)),
        (0usize..Item::ALL.len()).prop_map(|i| Command::RemoveEntry(Item::ALL[i])),
        (0usize..4).prop_map(|i| Command::Criteria(Criteria::BUILT_IN[i].0.into())),
        (0.0..100.0f64, 0.0..300.0f64).prop_map(|(from, to)| Command::Systole(Some([from, to]))),
        "[a-z]{0,6}".prop_map(Command::Note),
        Just(Command::Begin),
        Just(Command::Commit),
        Just(Command::Undo),
        Just(Command::Redo),
    ]
}

proptest! {
    #[test]
    fn everything_undone_is_the_start_and_everything_redone_is_the_end(
        commands in prop::collection::vec(commands(), 0..60)
    ) {
        let mut session = session();
        for command in commands {
            // Refusals are part of the sequence; they must leave no trace.
            let _ = session.apply(command);
            session.review().check().unwrap();
        }
        while session.can_redo() {
            session.apply(Command::Redo).unwrap();
        }
        let end = session.review().work.clone();
        while session.can_undo() {
            session.apply(Command::Undo).unwrap();
            session.review().check().unwrap();
        }
        // How the volume is shown is no step.
        prop_assert!(session.review().work.is_untouched());
        while session.can_redo() {
            session.apply(Command::Redo).unwrap();
        }
        prop_assert_eq!(&session.review().work, &end);
    }

    #[test]
    fn saving_and_loading_is_the_identity(commands in prop::collection::vec(commands(), 0..40)) {
        let mut session = session();
        for command in commands {
            let _ = session.apply(command);
        }
        let text = serde_json::to_string(session.review()).unwrap();
        prop_assert_eq!(&parse(&text).unwrap(), session.review());
    }
}
