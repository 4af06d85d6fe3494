//! `test`: everything that the tests need, then every test. A missing browser is a failure, never a skip.

use crate::{app, browser, places, shell, tools};
use anyhow::Result;

/// Sets up, builds, finds a browser and runs every test of every package.
///
/// # Errors
/// When something cannot be set up or a test fails.
pub fn test(args: &[String]) -> Result<()> {
    tools::setup()?;
    let browser = browser::ensure()?;
    app::build_app()?;
    // The hub's own tests are of its package, so this builds its binary as well, before any test runs.
    shell::say("building the hub and the tests");
    let mut tests = shell::cargo();
    tests
        .args(["test", "--workspace", "--no-fail-fast"])
        .args(args);
    tests
        .env("SPINOVER_BIN", places::hub(false))
        .env("SPINOVER_REAL", places::real_recording());
    tests
        .env("SPINOVER_CHROMIUM", browser.chromium)
        .env("SPINOVER_CHROMEDRIVER", browser.driver);
    shell::run(&mut tests)
}
