//! The order of the modules: each uses only those listed above it in `src/lib.rs`.

// The helpers of a test may fail the test.
#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// The modules in the order of `src/lib.rs`
fn modules() -> Vec<String> {
    let text = fs::read_to_string(root().join("src/lib.rs")).unwrap();
    text.lines()
        .filter_map(|line| line.trim().strip_prefix("pub mod ")?.strip_suffix(';'))
        .map(str::to_owned)
        .collect()
}

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    let mut entries: Vec<PathBuf> = fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

/// The code without its comments, line for line
fn code(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for line in text.lines() {
        // A comment starts where two slashes are not part of a string's address.
        let end = line.match_indices("//").map(|(at, _)| at).find(|at| !line[..*at].ends_with(':'));
        out.push_str(&line[..end.unwrap_or(line.len())]);
        out.push('\n');
    }
    out
}

/// The modules named after `crate::`, with the line: `crate::a::b` and `crate::{a, b::{c, d}}`
fn uses(text: &str) -> Vec<(usize, String)> {
    let code = code(text);
    let mut found = Vec::new();
    for (at, _) in code.match_indices("crate::") {
        let before = code[..at].chars().next_back();
        if before.is_some_and(|c| c.is_alphanumeric() || c == '_' || c == '$') {
            continue;
        }
        let line = code[..at].matches('\n').count() + 1;
        let rest = &code[at + "crate::".len()..];
        let word = |text: &str| -> String {
            text.trim_start().chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect()
        };
        let Some(group) = rest.strip_prefix('{') else {
            found.push((line, word(rest)));
            continue;
        };
        // The first word of each member of the group, at its outermost level.
        let (mut depth, mut start) = (1, 0);
        for (i, c) in group.char_indices() {
            match c {
                '{' => depth += 1,
                '}' => depth -= 1,
                _ => {}
            }
            if depth == 0 || (depth == 1 && c == ',') {
                found.push((line, word(&group[start..i])));
                start = i + 1;
            }
            if depth == 0 {
                break;
            }
        }
    }
    found.retain(|(_, name)| !name.is_empty());
    found
}

#[test]
fn every_module_uses_only_those_above_it() {
    let order = modules();
    assert!(order.len() > 10, "the list of modules in src/lib.rs was not understood: {order:?}");
    let place = |name: &str| order.iter().position(|m| m == name);
    let src = root().join("src");
    let mut files = Vec::new();
    sources(&src, &mut files);
    let mut wrong = Vec::new();
    let mut seen = BTreeSet::new();
    let mut looked_at = 0;
    for file in files {
        let inside = file.strip_prefix(&src).unwrap();
        let first = inside.components().next().unwrap().as_os_str().to_string_lossy().into_owned();
        let module = first.strip_suffix(".rs").unwrap_or(&first).to_owned();
        if module == "lib" || module == "main" {
            continue;
        }
        let Some(own) = place(&module) else {
            wrong.push(format!("{}: the module {module} is not listed in src/lib.rs", inside.display()));
            continue;
        };
        seen.insert(module.clone());
        for (line, name) in uses(&fs::read_to_string(&file).unwrap()) {
            looked_at += 1;
            match place(&name) {
                Some(other) if other > own => {
                    wrong.push(format!(
                        "src/{}:{line}: {module} uses {name}, which stands below it",
                        inside.display()
                    ));
                }
                // A macro or item at the root of the crate would not be listed; there is none.
                None => wrong.push(format!("src/{}:{line}: crate::{name} is no module", inside.display())),
                Some(_) => {}
            }
        }
    }
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
    assert!(looked_at > 50, "only {looked_at} uses were found: the search is broken");
    let listed: BTreeSet<String> = order.into_iter().collect();
    assert_eq!(seen, listed, "listed modules without a file");
}

#[test]
fn the_search_finds_what_it_should() {
    let text = "use crate::unit::Mm;\n// use crate::cli::X;\nuse crate::{space, numeric::{Image, stats}};\n\
                fn f() { crate::jet::find() } // crate::app\nlet u = \"http://x\"; my_crate::cli();\n";
    let names: Vec<String> = uses(text).into_iter().map(|(line, name)| format!("{line} {name}")).collect();
    assert_eq!(names, ["1 unit", "3 space", "3 numeric", "4 jet"]);
}

#[test]
fn the_map_for_developers_lists_every_module() {
    // The map is written as a table or list with each module's name in backticks.
    let map = fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let missing: Vec<String> = modules().into_iter().filter(|m| !map.contains(&format!("`{m}`"))).collect();
    assert!(missing.is_empty(), "DEVELOPERS.md does not name {missing:?}");
}
