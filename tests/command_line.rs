//! The real program, run in a folder of its own.

#![allow(clippy::unwrap_used, reason = "helpers of tests, which clippy does not take for tests")]

#[cfg(feature = "gui")]
use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command as Plain, Stdio};

use assert_cmd::Command;
use predicates::prelude::*;
use predicates::str::{contains, starts_with};

/// A small round jet: enough to be measured, quick to simulate
const RECIPE: &str = "\
name = \"small\"
[grid]
shape = [40, 40, 40]
[beat]
frames = 3
[flow]
solved = \"round-50-lipped\"
scale = 0.9
";

fn narrows(folder: &Path) -> Command {
    let mut command = Command::cargo_bin("narrows").unwrap();
    command.current_dir(folder).env("COLUMNS", "96").env_remove("NARROWS_LOG");
    // No window opens in a test, whatever the machine has.
    command.env_remove("DISPLAY").env_remove("WAYLAND_DISPLAY");
    command
}

/// Names in a folder, sorted
fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

fn simulated(folder: &Path) -> PathBuf {
    fs::write(folder.join("recipe.toml"), RECIPE).unwrap();
    let file = folder.join("volume.dcm");
    narrows(folder).args(["phantom", "recipe.toml", "-o", "volume.dcm"]).assert().success().stdout("");
    file
}

// The listing names the viewer, so it is that of the whole program.
#[cfg(feature = "gui")]
#[test]
fn help_is_what_it_was() {
    let temp = tempfile::tempdir().unwrap();
    let help = narrows(temp.path()).arg("--help").assert().success().stderr("").get_output().stdout.clone();
    let mut all = String::from_utf8(help).unwrap();
    for verb in [
        "view", "measure", "report", "recheck", "inspect", "draw", "phantom", "flow", "convert", "sweep",
        "cohort", "shapes", "readings", "practice", "agree", "schema",
    ] {
        let help = narrows(temp.path()).args([verb, "--help"]).assert().success().get_output().stdout.clone();
        write!(all, "\n---- {verb}\n\n{}", String::from_utf8(help).unwrap()).unwrap();
    }
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/snapshots/help.txt");
    if std::env::var_os("NARROWS_SNAPSHOTS").is_some_and(|value| value == "write") {
        fs::write(&kept, &all).unwrap();
    }
    assert_eq!(all, fs::read_to_string(&kept).unwrap(), "run again with NARROWS_SNAPSHOTS=write if meant");
}

#[test]
fn a_volume_goes_the_whole_way() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    simulated(folder);
    assert_eq!(names(folder), ["recipe.toml", "volume.dcm", "volume.dcm.truth.json"]);
    let truth: serde_json::Value =
        serde_json::from_slice(&fs::read(folder.join("volume.dcm.truth.json")).unwrap()).unwrap();
    assert_eq!(truth["jets"].as_array().unwrap().len(), 1);

    // JSON on stdout, nothing else, nothing written.
    let json = narrows(folder).args(["measure", "volume.dcm", "--json", "-"]).output().unwrap();
    assert!(matches!(json.status.code(), Some(0 | 1)), "{json:?}");
    assert_eq!(names(folder).len(), 3);
    let results: narrows::measure::Results = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(results.schema, "narrows/results/1");
    assert_eq!(results.source.file, "volume.dcm");

    // The document is as the published schema says.
    let schema: serde_json::Value = serde_json::from_slice(
        &narrows(folder).args(["schema", "results"]).assert().success().get_output().stdout,
    )
    .unwrap();
    let document: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    jsonschema::validate(&schema, &document).unwrap();

    // The report: twice the same bytes, the same document as printed.
    for out in ["a", "b"] {
        let run = narrows(folder).args(["measure", "volume.dcm", "--out", out]).output().unwrap();
        assert_eq!(run.status.code(), json.status.code());
        let text = String::from_utf8(run.stdout).unwrap();
        assert!(
            text.contains("trust check") && text.contains(&format!("report: {out}/index.html")),
            "{text}"
        );
    }
    for name in names(&folder.join("a")).iter().filter(|name| *name != "figures") {
        assert_eq!(
            fs::read(folder.join("a").join(name)).unwrap(),
            fs::read(folder.join("b").join(name)).unwrap()
        );
    }
    assert_eq!(fs::read(folder.join("a/results.json")).unwrap(), json.stdout);

    // Under a label nothing is called by the file, the report's folder neither.
    let run = narrows(folder).args(["measure", "volume.dcm", "--label", "case 7/b"]).output().unwrap();
    let text = String::from_utf8(run.stdout).unwrap();
    assert!(!text.contains("volume.dcm") && !text.contains("volume-report"), "{text}");
    assert!(names(folder).contains(&"case-7-b-report".to_owned()), "{:?}", names(folder));

    // Stored otherwise, the same codes: the same measurement but for name and hash.
    narrows(folder)
        .args(["convert", "volume.dcm", "small.dcm", "--syntax", "jpeg-ls"])
        .assert()
        .success()
        .stdout("");
    assert!(
        fs::metadata(folder.join("small.dcm")).unwrap().len()
            < fs::metadata(folder.join("volume.dcm")).unwrap().len()
    );
    let other = narrows(folder).args(["measure", "small.dcm", "--json", "-"]).output().unwrap();
    let other: narrows::measure::Results = serde_json::from_slice(&other.stdout).unwrap();
    assert_eq!(other.jets, results.jets);

    // inspect: text and JSON.
    narrows(folder)
        .args(["inspect", "volume.dcm"])
        .assert()
        .stdout(contains("grid").and(contains("trust check")));
    let inspected = narrows(folder).args(["inspect", "volume.dcm", "--json", "-"]).output().unwrap();
    let inspected: serde_json::Value = serde_json::from_slice(&inspected.stdout).unwrap();
    assert_eq!(inspected["grid"], serde_json::json!([40, 40, 40]));

    // draw: a plain cut in both forms.
    for name in ["cut.png", "cut.svg"] {
        narrows(folder)
            .args(["draw", "volume.dcm", "--cut", "-1,0,60/0,0.2,1/30", "--frame", "2", "-o", name])
            .assert()
            .success()
            .stdout("");
    }
    let png = fs::read(folder.join("cut.png")).unwrap();
    assert_eq!(&png[..8], b"\x89PNG\r\n\x1a\n");
    // Width and height stand at bytes 16 and 20 of a PNG (its specification, section 11.2.1).
    assert_eq!(u32::from_be_bytes(png[16..20].try_into().unwrap()), 2000);
    assert!(fs::read_to_string(folder.join("cut.svg")).unwrap().starts_with("<svg "));
    if !results.jets.is_empty() {
        narrows(folder)
            .args(["draw", "volume.dcm", "--view", "profile", "-o", "profile.svg"])
            .assert()
            .success();
        assert!(fs::read_to_string(folder.join("profile.svg")).unwrap().contains("VC profile"));
    }
    narrows(folder)
        .args(["draw", "volume.dcm", "--view", "time", "--jet", "9", "-o", "x.svg"])
        .assert()
        .code(2)
        .stderr(contains("there is no jet 9").and(contains("hint: ")));
    // Frames are counted from 1, as the report counts them.
    assert!(fs::read_to_string(folder.join("cut.svg")).unwrap().contains(">frame 2, "));
    for (frame, words) in [("77", "drawing frame 77: the volume has frames 1 to 3"), ("0", "--frame")] {
        narrows(folder)
            .args(["draw", "volume.dcm", "--cut", "0,0,0/0,0,1", "--frame", frame, "-o", "x.svg"])
            .assert()
            .code(2)
            .stderr(contains(words));
    }
    assert!(!folder.join("x.svg").exists());

    // What is being read is never written over.
    let before = fs::read(folder.join("volume.dcm")).unwrap();
    let refused = [
        vec!["convert", "volume.dcm", "./volume.dcm"],
        vec!["measure", "volume.dcm", "--json", "volume.dcm"],
        vec!["inspect", "volume.dcm", "--json", "volume.dcm"],
        vec!["measure", "volume.dcm", "--out", "volume.dcm"],
        vec!["phantom", "recipe.toml", "-o", "recipe.toml"],
    ];
    for arguments in refused {
        narrows(folder).args(arguments).assert().code(2).stderr(contains("error: ").and(contains("hint: ")));
    }
    assert_eq!(fs::read(folder.join("volume.dcm")).unwrap(), before);
    assert_eq!(fs::read_to_string(folder.join("recipe.toml")).unwrap(), RECIPE);
    // Nothing half made lies about.
    assert!(names(folder).iter().all(|name| !name.starts_with('.')), "{:?}", names(folder));
}

#[test]
fn convert_goes_by_the_name_and_back() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    simulated(folder);
    let json = narrows(folder).args(["measure", "volume.dcm", "--json", "-"]).output().unwrap();
    let original: narrows::measure::Results = serde_json::from_slice(&json.stdout).unwrap();
    let schema: serde_json::Value = serde_json::from_slice(
        &narrows(folder).args(["schema", "sidecar"]).assert().success().get_output().stdout,
    )
    .unwrap();
    let mut last = "volume.dcm";
    for (name, syntax, also) in [
        ("a.nii.gz", "explicit", None),
        ("b.nhdr", "explicit", Some("b.raw")),
        ("c.mhd", "deflated", Some("c.zraw")),
        ("d.nrrd", "deflated", None),
        ("e.mha", "explicit", None),
        ("f.nii", "explicit", None),
        ("g.dcm", "jpeg-ls", None),
    ] {
        narrows(folder)
            .args(["convert", last, name, "--syntax", syntax])
            .assert()
            .success()
            .stdout("")
            .stderr(contains(format!("wrote {name}")));
        assert!(also.is_none_or(|also| folder.join(also).is_file()), "{name}");
        if name != "g.dcm" {
            let sidecar = fs::read(folder.join(format!("{name}.narrows.json"))).unwrap();
            jsonschema::validate(&schema, &serde_json::from_slice(&sidecar).unwrap()).unwrap();
        }
        narrows(folder).args(["inspect", name]).assert().stdout(contains("grid        40 x 40 x 40"));
        last = name;
    }
    let json = narrows(folder).args(["measure", last, "--json", "-"]).output().unwrap();
    let results: narrows::measure::Results = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(results.jets.len(), original.jets.len());
    for (first, second) in original.jets.iter().zip(&results.jets) {
        assert!((first.vca_mm2.value - second.vca_mm2.value).abs() < 1e-6 * first.vca_mm2.value);
    }
    assert!(results.source.assumed.iter().any(|line| line.contains("right-anterior-superior")));

    // Neither the file being read nor what lies beside it for its sake is written over.
    for (from, to) in [("b.nhdr", "b.mhd"), ("b.nhdr", "b.nhdr"), ("c.mhd", "c.mhd")] {
        let before = fs::read(folder.join("b.raw")).unwrap();
        narrows(folder).args(["convert", from, to]).assert().code(2).stderr(contains("would replace"));
        assert_eq!(fs::read(folder.join("b.raw")).unwrap(), before);
    }
    let listed = names(folder);
    let refused = [
        (vec!["convert", "volume.dcm", "x.png"], "does not say in which format"),
        (vec!["convert", "volume.dcm", "x.mha", "--syntax", "rle"], "for DICOM only"),
        (vec!["convert", "volume.dcm", "x.nii", "--syntax", "deflated"], ".nii.gz"),
        (vec!["convert", "volume.dcm", "x.nii", "--velocity-bar", "none.toml"], "none.toml"),
        (vec!["measure", "volume.dcm", "--velocity-bar", "recipe.toml"], "recipe.toml"),
    ];
    for (arguments, word) in refused {
        narrows(folder).args(arguments).assert().code(2).stderr(contains(word).and(contains("hint: ")));
    }
    assert_eq!(names(folder), listed);

    // Without its sidecar a file names what is missing; inspect still tells the rest.
    fs::remove_file(folder.join("a.nii.gz.narrows.json")).unwrap();
    narrows(folder)
        .args(["measure", "a.nii.gz"])
        .assert()
        .code(2)
        .stdout("")
        .stderr(contains("which channel is which").and(contains("hint: ")));
    narrows(folder)
        .args(["inspect", "a.nii.gz"])
        .assert()
        .code(1)
        .stdout(contains("grid        40 x 40 x 40").and(contains("problem     neither")));
}

/// Processes that this one has started
#[cfg(target_os = "linux")]
fn children(process: u32) -> Vec<u32> {
    let mut found = Vec::new();
    for thread in fs::read_dir(format!("/proc/{process}/task")).into_iter().flatten().flatten() {
        let list = fs::read_to_string(thread.path().join("children")).unwrap_or_default();
        found.extend(list.split_whitespace().filter_map(|word| word.parse::<u32>().ok()));
    }
    found
}

#[cfg(target_os = "linux")]
#[test]
fn a_worker_that_dies_is_one_failed_row() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    simulated(folder);
    fs::create_dir(folder.join("many")).unwrap();
    for seed in 0..4 {
        // Other bytes, so that each is measured.
        fs::write(folder.join("one.toml"), format!("seed = {seed}\n{RECIPE}")).unwrap();
        narrows(folder).args(["phantom", "one.toml", "-o", &format!("many/{seed}.dcm")]).assert().success();
    }
    let cohort = Plain::new(assert_cmd::cargo::cargo_bin("narrows"))
        .current_dir(folder)
        .args(["cohort", "many", "--out", "t.csv"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // The first worker is killed at its first volume, as the system does where memory ends.
    let worker = loop {
        if let Some(worker) = children(cohort.id()).first() {
            break *worker;
        }
        std::thread::sleep(std::time::Duration::from_millis(1));
    };
    assert!(Plain::new("kill").args(["-KILL", &worker.to_string()]).status().unwrap().success());
    let ended = cohort.wait_with_output().unwrap();
    let said = String::from_utf8(ended.stderr).unwrap();
    assert_eq!(ended.status.code(), Some(0), "{said}");
    assert!(said.contains("not measured: 0.dcm: the process that measured it ended early"), "{said}");
    assert!(said.contains("1 not measured"), "{said}");
    let table = fs::read_to_string(folder.join("t.volumes.csv")).unwrap();
    assert_eq!(table.lines().filter(|line| line.contains("signal: 9")).count(), 1, "{table}");
    // The next run measures that one, and only that one.
    narrows(folder)
        .args(["cohort", "many", "--out", "t.csv"])
        .assert()
        .success()
        .stderr(contains("0 not measured; 1 worked on now"));
    // A table of somebody else under one of the names is left alone.
    for name in ["u.csv", "u.volumes.csv", "u.dictionary.csv"] {
        fs::write(folder.join(name), "mine\n").unwrap();
        let refused = narrows(folder).args(["cohort", "many", "--out", "u.csv"]).assert().code(2);
        refused.stderr(contains("would be lost").and(contains(name)).and(contains("hint: ")));
        assert_eq!(fs::read_to_string(folder.join(name)).unwrap(), "mine\n");
        fs::remove_file(folder.join(name)).unwrap();
    }
    // So is one of ours in which somebody wrote, whatever the journal knows.
    let remarked = format!("{table}my remark\n");
    fs::write(folder.join("t.volumes.csv"), &remarked).unwrap();
    let again = narrows(folder).args(["cohort", "many", "--out", "t.csv"]).assert().code(2);
    again.stderr(contains("would be lost").and(contains("t.volumes.csv")));
    assert_eq!(fs::read_to_string(folder.join("t.volumes.csv")).unwrap(), remarked);
}

#[test]
fn unreadable_input_is_an_error_with_a_hint() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    fs::write(folder.join("notes.txt"), "not a volume\n").unwrap();
    fs::write(folder.join("empty.dcm"), "").unwrap();
    fs::write(folder.join("noise.dcm"), [0x5au8; 4096]).unwrap();
    fs::create_dir(folder.join("folder")).unwrap();
    for file in ["missing.dcm", "notes.txt", "empty.dcm", "noise.dcm", "folder"] {
        for arguments in [
            vec!["measure", file],
            vec!["inspect", file],
            vec!["convert", file, "out.dcm"],
            vec!["draw", file, "--cut", "0,0,0/0,0,1", "-o", "out.png"],
        ] {
            narrows(folder)
                .args(&arguments)
                .assert()
                .code(2)
                .stdout("")
                .stderr(starts_with("error: ").and(contains("\nhint: ")).and(contains(file)));
        }
    }
    assert_eq!(names(folder), ["empty.dcm", "folder", "noise.dcm", "notes.txt"]);
}

#[test]
fn a_volume_without_velocity_is_refused_by_measure_and_told_by_inspect() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    fs::write(folder.join("grey.toml"), format!("{RECIPE}[store]\nchannels = [\"tissue\"]\n")).unwrap();
    let made = narrows(folder).args(["phantom", "grey.toml", "-o", "grey.dcm"]).output().unwrap();
    assert!(made.status.success(), "{made:?}");
    narrows(folder)
        .args(["measure", "grey.dcm"])
        .assert()
        .code(2)
        .stdout("")
        .stderr(contains("velocity").and(contains("hint: ")));
    assert!(!folder.join("grey-report").exists());
    narrows(folder)
        .args(["inspect", "grey.dcm"])
        .assert()
        .code(1)
        .stdout(contains("tissue").or(contains("TISSUE")));
}

#[test]
fn bad_recipes_are_told_by_their_key() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    for (name, text, word) in [
        ("a.toml", "sede = 3\n", "sede"),
        ("b.toml", "[grid]\nshape = [1, 1, 1]\n", "grid.shape"),
        ("c.toml", "not toml at all", "recipe"),
    ] {
        fs::write(folder.join(name), text).unwrap();
        narrows(folder)
            .args(["phantom", name, "-o", "x.dcm"])
            .assert()
            .code(2)
            .stderr(contains(word).and(contains("hint: ")));
    }
    narrows(folder).args(["phantom", "missing.toml", "-o", "x.dcm"]).assert().code(2);
    assert_eq!(names(folder), ["a.toml", "b.toml", "c.toml"]);
}

/// A wide hole in coarse cells: solved in moments
const FLOW: &str = "\
name = \"small\"
orifice = [{ shape = { kind = \"round\", diameter_mm = 10.0 } }]
chamber = { side_mm = [17.0, 17.0], upstream_mm = 7.0, downstream_mm = 14.0 }
fluid = { cell_mm = 1.0, settle_ms = 4.0, average_ms = 2.0, stored_mm = [15.0, -4.0, 11.0] }
";

#[test]
fn a_flow_is_solved_and_bad_recipes_of_one_are_told_why() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    fs::write(folder.join("small.toml"), FLOW).unwrap();
    narrows(folder)
        .args(["flow", "small.toml", "-o", "small.flow", "--processor"])
        .assert()
        .success()
        .stderr(contains("cells, ").and(contains("on the processor: about")).and(contains("effective area")));
    let flow =
        narrows::phantom::flow::SolvedFlow::read(&fs::read(folder.join("small.flow")).unwrap()).unwrap();
    assert_eq!(flow.header.name, "small");
    // Blood passes the hole at the speed that was asked for.
    let speed = flow.at([0.0, 0.0, flow.header.truth.vc_level_mm]).mean_m_s[2];
    assert!((3.5..6.0).contains(&speed), "{speed}");
    for (name, from, to, word) in [
        ("coarse.toml", "10.0 }", "5.0 }", "too coarse"),
        ("outside.toml", "10.0 }", "14.0 }", "chamber's side"),
        ("key.toml", "cell_mm", "sell_mm", "sell_mm"),
        ("range.toml", "= 7.0", "= 0.5", "chamber.upstream_mm"),
    ] {
        fs::write(folder.join(name), FLOW.replace(from, to)).unwrap();
        narrows(folder)
            .args(["flow", name, "-o", "bad.flow", "--processor"])
            .assert()
            .code(2)
            .stderr(contains(word).and(contains("hint: ")));
    }
    narrows(folder)
        .args(["flow", "missing.toml", "-o", "bad.flow"])
        .assert()
        .code(2)
        .stderr(contains("hint: "));
    narrows(folder).args(["flow", "small.toml", "-o", "small.toml"]).assert().code(2);
    assert_eq!(fs::read_to_string(folder.join("small.toml")).unwrap(), FLOW);
    assert!(!folder.join("bad.flow").exists());
}

#[cfg(unix)]
#[test]
fn a_flow_that_is_cancelled_leaves_nothing_behind() {
    use std::io::BufRead as _;
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    fs::write(folder.join("long.toml"), FLOW.replace("settle_ms = 4.0", "settle_ms = 1000.0")).unwrap();
    let mut running = Plain::new(env!("CARGO_BIN_EXE_narrows"))
        .current_dir(folder)
        .args(["flow", "long.toml", "-o", "long.flow", "--processor"])
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // Once it says what the work costs it listens to Ctrl-C.
    let mut talk = std::io::BufReader::new(running.stderr.take().unwrap());
    let mut line = String::new();
    talk.read_line(&mut line).unwrap();
    assert!(line.contains("on the processor"), "{line}");
    let interrupt = Plain::new("kill").args(["-INT", &running.id().to_string()]).status().unwrap();
    assert!(interrupt.success());
    assert_eq!(running.wait().unwrap().code(), Some(130));
    assert_eq!(names(folder), ["long.toml"]);
}

#[test]
fn what_else_is_known_is_weighed() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    simulated(folder);
    let known = "schema = \"narrows/evidence/1\"\npisa_eroa_mm2 = { value = 12, error = 2 }\n\
                 regurgitant_fraction_percent = 18\njet = \"small_central\"\n";
    fs::write(folder.join("known.toml"), known).unwrap();
    let measure = |more: &[&str]| {
        let run = narrows(folder).args(["measure", "volume.dcm", "--json", "-"]).args(more).output().unwrap();
        serde_json::from_slice::<narrows::measure::Results>(&run.stdout).unwrap().severity.unwrap()
    };
    let alone = measure(&[]);
    assert_eq!(alone.criteria.name, "ase-2017");
    assert!(alone.evidence.is_empty() && !alone.conclusion.missing.is_empty());
    let with = measure(&["--evidence", "known.toml"]);
    assert_eq!(with.evidence.iter().count(), 3);
    assert!(with.placements.len() > alone.placements.len());
    let other = measure(&["--evidence", "known.toml", "--criteria", "acc-aha-2020"]);
    assert_eq!((other.criteria.name.as_str(), other.count), ("acc-aha-2020", None));
    // A table of one's own.
    let own = narrows::severity::Criteria::BUILT_IN[0].1.replace("ase-2017", "ours");
    fs::write(folder.join("ours.toml"), own).unwrap();
    assert_eq!(measure(&["--criteria", "ours.toml"]).criteria.name, "ours");

    // A slip is told before the volume is read, with its word.
    fs::write(folder.join("slip.toml"), known.replace("pisa_eroa_mm2", "pisa_erao_mm2")).unwrap();
    for (arguments, error, hint) in [
        (["--evidence", "slip.toml"], "pisa_erao_mm2", "pisa_eroa_mm2"),
        (["--evidence", "missing.toml"], "missing.toml", "path"),
        (["--evidence", "volume.dcm"], "volume.dcm", "hint: "),
        (["--criteria", "ase-2018"], "ase-2018", "ase-2017"),
        (["--criteria", "known.toml"], "known.toml", "narrows schema criteria"),
    ] {
        narrows(folder)
            .args(["measure", "missing.dcm"])
            .args(arguments)
            .assert()
            .code(2)
            .stdout("")
            .stderr(contains(error).and(contains(hint)).and(contains("hint: ")));
    }
    // What is being read is never written over.
    narrows(folder)
        .args(["measure", "volume.dcm", "--evidence", "known.toml", "--json", "known.toml"])
        .assert()
        .code(2);
    assert_eq!(fs::read_to_string(folder.join("known.toml")).unwrap(), known);
}

#[test]
fn what_is_printed_moves_no_cursor() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    let evil = "a\u{1b}[2J\u{9b}31m\rb.dcm";
    fs::rename(simulated(folder), folder.join(evil)).unwrap();
    fs::write(folder.join("list\u{1b}[1m.txt"), "not a volume").unwrap();
    for arguments in [
        vec!["measure", evil, "--out", "report"],
        vec!["inspect", evil],
        vec!["inspect", evil, "--json", "-"],
        vec!["measure", "missing\u{1b}]0;x\u{7}.dcm"],
        vec!["measure", "--no-such\u{1b}[2J"],
        vec!["cohort", ".", "--out", "t.csv"],
        vec!["draw", evil, "--cut", "0,0,60/0,0,1", "-o", "\u{1b}x/y.png"],
    ] {
        let run = narrows(folder).args(&arguments).output().unwrap();
        for (name, bytes) in [("stdout", &run.stdout), ("stderr", &run.stderr)] {
            let text = String::from_utf8(bytes.clone()).unwrap();
            let obeyed = text.chars().find(|c| c.is_control() && *c != '\n' && *c != '\t');
            assert_eq!(obeyed, None, "{arguments:?} on {name}: {text:?}");
        }
    }
    let json = narrows(folder).args(["inspect", evil, "--json", "-"]).output().unwrap();
    let seen: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    assert_eq!(seen["file"], evil);
}

#[test]
fn bad_usage_ends_with_two() {
    let temp = tempfile::tempdir().unwrap();
    let folder = temp.path();
    for arguments in [
        vec!["polish"],
        vec!["measure"],
        vec!["measure", "x.dcm", "--nyquist", "60"],
        vec!["view", "--nyquist", "0.6"],
        vec!["measure", "x.dcm", "--ap", "0,0,0"],
        vec!["draw", "x.dcm", "-o", "x.png"],
        vec!["draw", "x.dcm", "--cut", "1,2,3", "-o", "x.png"],
        vec!["draw", "x.dcm", "--cut", "0,0,0/0,0,1", "--view", "time", "-o", "x.png"],
        vec!["draw", "x.dcm", "--view", "time", "-o", "x.bmp"],
        vec!["convert", "x.dcm", "y.dcm", "--syntax", "tiff"],
    ] {
        narrows(folder).args(&arguments).assert().code(2).stdout("").stderr(starts_with("error: "));
    }
    assert!(names(folder).is_empty());
}

#[test]
fn a_reader_that_goes_away_is_no_error() {
    let temp = tempfile::tempdir().unwrap();
    for arguments in [vec!["schema"], vec!["--help"], vec!["measure", "--help"]] {
        let mut child = Plain::new(assert_cmd::cargo::cargo_bin("narrows"))
            .current_dir(temp.path())
            .args(&arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        drop(child.stdout.take());
        let ended = child.wait_with_output().unwrap();
        assert_eq!(ended.status.code(), Some(0), "{arguments:?}");
        assert!(ended.stderr.is_empty(), "{}", String::from_utf8_lossy(&ended.stderr));
    }
}
