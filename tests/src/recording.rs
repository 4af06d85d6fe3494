//! Recordings as the tests read them: by themselves, so that what the hub makes of a file is checked against the file.
