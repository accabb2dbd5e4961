//! Reads the files that a person names: their text and their bare name, with
//! a limit. The daemon gets texts, never paths.
//!
//! Called by: check, place, book.

use std::io::Read;
use std::path::{Path, PathBuf};

use super::complaint::Complaint;
use crate::web::wire::Text;

/// The longest file that is read; the same cap as before parsing.
pub const FILE_BYTES_AT_MOST: u64 = 1 << 20;

/// Reads one file.
///
/// # Errors
/// When it is not there, cannot be read, is longer than
/// [`FILE_BYTES_AT_MOST`], or is not UTF-8.
pub fn read(path: &Path) -> Result<Text, Complaint> {
    let fail = |source| Complaint::File {
        path: path.to_owned(),
        source,
    };
    let file = std::fs::File::open(path).map_err(fail)?;
    let mut bytes = Vec::new();
    file.take(FILE_BYTES_AT_MOST + 1)
        .read_to_end(&mut bytes)
        .map_err(fail)?;
    if bytes.len() as u64 > FILE_BYTES_AT_MOST {
        return Err(Complaint::FileTooLong {
            path: path.to_owned(),
            at_most: FILE_BYTES_AT_MOST,
        });
    }
    let text = String::from_utf8(bytes).map_err(|_| Complaint::NotText {
        path: path.to_owned(),
    })?;
    Ok(Text {
        name: bare_name(path),
        text,
    })
}

/// A path's last part, as text.
pub fn bare_name(path: &Path) -> String {
    path.file_name()
        .unwrap_or(path.as_os_str())
        .to_string_lossy()
        .into_owned()
}

/// The file that another one names, which lies beside it.
pub fn beside(path: &Path, name: &str) -> PathBuf {
    path.parent().unwrap_or(Path::new("")).join(name)
}
