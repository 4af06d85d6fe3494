//! The files that a hub runs from, and the sources that it reads: what `serve` and `standby` begin with, and begin anew with when
//! a file was changed.

use super::serve::Failed;
use crate::{
    files::{
        self, CarFile, FileErrors, Marked,
        kept::{Good, Kept, Texts},
    },
    sources::{self, Source},
};
use spinover_protocol::{
    hubs::{FileKind, FileText},
    season::Counter,
    sheet::Sheet,
    trust::{POSTED, source_name},
    turnaround::Plan,
};
use std::{
    io,
    path::{Path, PathBuf},
};

/// The files that a hub runs from. The turnaround file and the season file are the team's to edit, not the app's.
#[derive(Clone)]
pub(super) struct Work {
    /// The car file and the sheets.
    pub kept: Kept,
    /// What is done between rounds.
    pub turnaround: Option<PathBuf>,
    /// What is counted over the season.
    pub season: Option<PathBuf>,
}

/// What is in them.
pub(super) struct Found {
    /// The car and the sheets.
    pub good: Good,
    /// What is done between rounds.
    pub plan: Option<Plan>,
    /// What is counted over the season.
    pub counters: Vec<Counter>,
    /// All of it as it is written, for a second laptop.
    pub texts: Vec<FileText>,
}

impl Work {
    /// Every file, or every mistake in any of them.
    pub fn load(&self) -> Result<Found, Failed> {
        let read = self.kept.read()?;
        let good = self.kept.check(&read);
        // A car file that is wrong is told by itself; what else is wrong is told as well, as far as it can be seen.
        let car = match &good {
            Ok(good) => Some(good.car.clone()),
            Err(_) => files::parse_car("", &read.0[0]).ok(),
        };
        let plan = self.plan(car.as_ref());
        let sheets: Option<Vec<&Sheet>> =
            good.as_ref().ok().map(|good| good.sheets.iter().collect());
        let marked = Marked {
            sheets: sheets.as_deref(),
            plan: plan.as_ref().ok().and_then(Option::as_ref),
        };
        let counters = self.counters(marked);
        let mut wrong: Vec<String> = Vec::new();
        if let Err(errors) = &good {
            wrong.extend(errors.iter().map(|(_, errors)| errors.to_string()));
        }
        wrong.extend(plan.as_ref().err().map(ToString::to_string));
        wrong.extend(counters.as_ref().err().map(ToString::to_string));
        match (good, plan, counters) {
            (Ok(good), Ok(plan), Ok(counters)) => {
                for note in self.kept.notes(&good) {
                    tracing::warn!("{note}");
                }
                Ok(Found {
                    good,
                    plan,
                    counters,
                    texts: self.texts(read),
                })
            }
            _ => Err(Failed::Input(wrong.join("\n"))),
        }
    }

    /// The plan between rounds, where there is one.
    ///
    /// # Errors
    /// Every mistake in its file, also what does not fit that car.
    pub fn plan(&self, car: Option<&CarFile>) -> Result<Option<Plan>, FileErrors> {
        let load = |path| files::load_turnaround(path, car);
        self.turnaround.as_ref().map(load).transpose()
    }

    /// What is counted over the season, where anything is.
    fn counters(&self, marked: Marked<'_>) -> Result<Vec<Counter>, FileErrors> {
        let load = |path| files::load_season(path, marked);
        self.season.as_ref().map_or(Ok(Vec::new()), load)
    }

    fn texts(&self, read: Texts) -> Vec<FileText> {
        let text = |kind, name: &Path, text| {
            let name = name.file_name().unwrap_or_default();
            FileText {
                kind,
                name: name.to_string_lossy().into_owned(),
                text,
            }
        };
        let names = self.kept.names().into_iter().map(|(_, name)| name);
        let kinds = std::iter::once(FileKind::Car).chain(std::iter::repeat(FileKind::Sheet));
        let files = kinds.zip(names.zip(read.0));
        let mut texts: Vec<FileText> = files
            .map(|(kind, (name, read))| text(kind, Path::new(&name), read))
            .collect();
        let beside = [
            (FileKind::Turnaround, &self.turnaround),
            (FileKind::Season, &self.season),
        ];
        for (kind, path) in beside {
            if let Some(path) = path
                && let Ok(read) = std::fs::read_to_string(path)
            {
                texts.push(text(kind, path, read));
            }
        }
        texts
    }

    /// Whether a hub that runs could run with another car file. A port that is taken is taken by the hub itself.
    pub fn could_run(&self, file: &CarFile, named: &[String], seed: u64) -> Result<(), String> {
        // Its roles are the car file's.
        self.plan(Some(file)).map_err(|errors| errors.to_string())?;
        match open(file, named, seed) {
            Ok(_) => Ok(()),
            Err(Failed::Source(error)) if is_taken(&error) => Ok(()),
            Err(failed) => Err(failed.words()),
        }
    }
}

/// Opens the sources that the command line names, else the car file's.
pub(super) fn open(
    file: &CarFile,
    named: &[String],
    seed: u64,
) -> Result<Vec<Box<dyn Source>>, Failed> {
    let specs = if named.is_empty() {
        &file.sources
    } else {
        named
    };
    names_are_told_apart(file, specs)?;
    let given = sources::Setup {
        car: file.car.clone(),
        replay: file.replay.clone(),
        names: file.names.clone(),
        seed,
    };
    let open = |spec: &String| sources::open(spec, &given).map_err(Failed::Source);
    let opened: Vec<Box<dyn Source>> = specs.iter().map(open).collect::<Result<_, _>>()?;
    if opened.is_empty() {
        tracing::warn!(
            "no source is named: readings come by POST /api/readings and from phones only"
        );
    }
    Ok(opened)
}

fn is_taken(error: &anyhow::Error) -> bool {
    let taken = |error: &io::Error| error.kind() == io::ErrorKind::AddrInUse;
    error
        .chain()
        .filter_map(|cause| cause.downcast_ref())
        .any(taken)
}

/// Two sources of one name cannot be told apart. A preferred one that is not there may come another day.
fn names_are_told_apart(file: &CarFile, specs: &[String]) -> Result<(), Failed> {
    let mut names = vec![POSTED];
    for name in specs.iter().filter_map(|spec| source_name(spec)) {
        if names.contains(&name) {
            return Err(Failed::Input(format!(
                "two sources are named `{name}`; give each a name of its own"
            )));
        }
        names.push(name);
    }
    for channel in &file.car.channels {
        for wanted in &channel.sensor.prefer {
            if !names.contains(&wanted.as_str()) {
                tracing::info!("{}: no source is named {wanted} today", channel.key);
            }
        }
    }
    Ok(())
}
