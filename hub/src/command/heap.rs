//! How much free memory a hub keeps. It runs for days, and now and then takes much for a moment: 19 MB to hash a code, a crowd that
//! joins, a look through the book. glibc's allocator learns from the first of these not to give such pieces back, and keeps free memory
//! for each thread: resident memory then creeps up for hours though nothing is held. docs/reliability.md has what was measured.

/// What glibc is told (mallopt(3)): one arena; pieces of 128 kB and more by themselves, and given back at once; of the rest, up to
/// 256 kB kept at the end. The second is its own first value: it no longer learns another once it has been named.
#[cfg(all(target_os = "linux", target_env = "gnu"))]
const WANTED: [(&str, &str); 3] = [
    ("MALLOC_ARENA_MAX", "1"),
    ("MALLOC_MMAP_THRESHOLD_", "131072"),
    ("MALLOC_TRIM_THRESHOLD_", "262144"),
];

/// Has the program begin once more with an allocator that keeps little: glibc takes that from the environment only, and only at the
/// beginning. To be called before anything else is begun. Does nothing where one of these is set already, or on other systems.
pub fn keep_little() {
    #[cfg(all(target_os = "linux", target_env = "gnu"))]
    {
        use std::{env, os::unix::process::CommandExt, process::Command};
        if WANTED.iter().any(|(name, _)| env::var_os(name).is_some()) {
            return;
        }
        if let Ok(own) = env::current_exe() {
            let mut again = Command::new(own);
            let mut words = env::args_os();
            again.arg0(words.next().unwrap_or_else(|| "spinover".into()));
            // It comes back only when it could not be done; the hub then goes on as it is.
            let error = again.args(words).envs(WANTED).exec();
            tracing::debug!("the allocator keeps what it likes: {error}");
        }
    }
}
