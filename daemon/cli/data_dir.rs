//! Where the daemon keeps its data, and where its socket is.
//!
//! The first of these that is given: `--data DIR`, `WAKERAIL_DATA`,
//! `XDG_STATE_HOME/wakerail`, `~/.local/state/wakerail` (XDG Base Directory
//! Specification 0.8: a relative path in its variables is ignored).
//!
//! ```text
//!   <data>/lock                 held while a daemon lives; its pid inside
//!   <data>/wakerail.db          everything that is recorded
//!   <data>/socket/daemon.sock   in a directory that only the user may enter
//!   <data>/rehearsal/           ports of simulated devices
//! ```
//!
//! Called by: main, service. Not here: creating and locking (service).

use std::path::{Path, PathBuf};

/// The longest path that a Unix socket's address holds on Linux, less its
/// closing zero (`sun_path`, unix(7)).
pub const SOCKET_PATH_BYTES_AT_MOST: usize = 107;

/// What the rules look at; handed over so that a test needs no environment.
#[derive(Clone, Debug, Default)]
pub struct Surroundings {
    /// `--data`.
    pub option: Option<PathBuf>,
    /// `WAKERAIL_DATA`.
    pub variable: Option<PathBuf>,
    /// `XDG_STATE_HOME`.
    pub state_home: Option<PathBuf>,
    /// `HOME`.
    pub home: Option<PathBuf>,
}

impl Surroundings {
    /// Those of this process.
    pub fn of_process(option: Option<PathBuf>) -> Surroundings {
        let path = |name: &str| {
            std::env::var_os(name)
                .filter(|value| !value.is_empty())
                .map(PathBuf::from)
        };
        Surroundings {
            option,
            variable: path("WAKERAIL_DATA"),
            state_home: path("XDG_STATE_HOME"),
            home: path("HOME"),
        }
    }
}

/// The data directory and what lies in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DataDir(PathBuf);

impl DataDir {
    /// By the rules above; none when nothing tells.
    pub fn find(around: Surroundings) -> Option<DataDir> {
        let absolute = |path: &PathBuf| path.is_absolute();
        around
            .option
            .or(around.variable)
            .or_else(|| {
                let home = around.state_home.filter(absolute)?;
                Some(home.join("wakerail"))
            })
            .or_else(|| {
                let home = around.home.filter(absolute)?;
                Some(home.join(".local/state/wakerail"))
            })
            .map(DataDir)
    }
    /// At a known path.
    pub fn at(path: &Path) -> DataDir {
        DataDir(path.to_owned())
    }
    /// The directory itself.
    pub fn path(&self) -> &Path {
        &self.0
    }
    /// The lock file.
    pub fn lock(&self) -> PathBuf {
        self.0.join("lock")
    }
    /// The database.
    pub fn database(&self) -> PathBuf {
        self.0.join("wakerail.db")
    }
    /// The directory around the socket.
    pub fn socket_folder(&self) -> PathBuf {
        self.0.join("socket")
    }
    /// The socket.
    pub fn socket(&self) -> PathBuf {
        self.socket_folder().join("daemon.sock")
    }
    /// Ports of simulated devices, and the world that they share.
    pub fn rehearsal(&self) -> PathBuf {
        self.0.join("rehearsal")
    }
    /// Whether the socket's path fits into a socket address.
    pub fn socket_fits(&self) -> bool {
        self.socket().as_os_str().len() <= SOCKET_PATH_BYTES_AT_MOST
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_that_is_given_and_absolute_counts() {
        let around = |option: &str, variable: &str, state: &str, home: &str| {
            let some = |text: &str| (!text.is_empty()).then(|| PathBuf::from(text));
            Surroundings {
                option: some(option),
                variable: some(variable),
                state_home: some(state),
                home: some(home),
            }
        };
        let cases = [
            (around("here", "/v", "/s", "/h"), Some("here")),
            (around("", "/v", "/s", "/h"), Some("/v")),
            (around("", "", "/s", "/h"), Some("/s/wakerail")),
            (around("", "", "s", "/h"), Some("/h/.local/state/wakerail")),
            (around("", "", "", "/h"), Some("/h/.local/state/wakerail")),
            (around("", "", "", "h"), None),
            (around("", "", "", ""), None),
        ];
        for (around, expected) in cases {
            let found = DataDir::find(around.clone());
            assert_eq!(
                found.as_ref().map(DataDir::path),
                expected.map(Path::new),
                "{around:?}"
            );
        }
    }

    #[test]
    fn a_socket_path_that_is_too_long_is_noticed() {
        assert!(DataDir::at(Path::new("/var/lib/wakerail")).socket_fits());
        let long = format!("/{}", "a".repeat(100));
        assert!(!DataDir::at(Path::new(&long)).socket_fits());
    }
}
