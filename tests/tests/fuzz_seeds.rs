//! The fuzz targets' checks once over their seeds and the demo's files, without a fuzzer: inputs that once broke something
//! are kept among the seeds, so that they break nothing again.

#[path = "../fuzz/src/lib.rs"]
mod checks;

use spinover_tests::data;
use std::{fs, path::Path};

/// Runs a check over every file of a folder; how many there were.
fn over(check: checks::Check, folder: &Path) -> usize {
    let mut files: Vec<_> = fs::read_dir(folder)
        .unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
        .map(|entry| entry.expect("a folder that can be read").path())
        .collect();
    files.sort();
    for file in &files {
        eprintln!("{}", file.display());
        check(&fs::read(file).expect("a file that can be read"));
    }
    files.len()
}

#[test]
fn every_seed_is_taken_without_a_panic() {
    let seeds = data::root().join("tests/fuzz/seeds");
    for (name, check) in checks::ALL {
        let folder = seeds.join(name);
        let own = if folder.is_dir() {
            over(check, &folder)
        } else {
            0
        };
        let demo = over(check, &data::root().join("hub/demo"));
        assert!(own + demo > 0, "{name} has something to begin with");
    }
    for entry in fs::read_dir(seeds).expect("there are seeds").flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        assert!(
            checks::ALL.iter().any(|(known, _)| *known == name),
            "no check is called {name}"
        );
    }
}
