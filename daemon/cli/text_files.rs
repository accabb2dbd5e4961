//! Reads the files that a person names: their text and their bare name, with
//! a limit. The daemon gets texts, never paths.
//!
//! Called by: check, place, book, compute.

use std::io::Read;
use std::path::{Path, PathBuf};

use super::complaint::Complaint;
use crate::plan::check;
use crate::plan::frozen::SentText;
use crate::web::wire::Text;

/// The longest file that is read; the same cap as before parsing.
pub const FILE_BYTES_AT_MOST: u64 = 1 << 20;
/// The longest file of measured data: 180 s of a waveform at 100 kS/s.
pub const DATA_BYTES_AT_MOST: u64 = 1 << 29;

/// Reads one file.
///
/// # Errors
/// When it is not there, cannot be read, is longer than
/// [`FILE_BYTES_AT_MOST`], or is not UTF-8.
pub fn read(path: &Path) -> Result<Text, Complaint> {
    read_at_most(path, FILE_BYTES_AT_MOST)
}

/// Reads one file of measured data, or standard input where the path is `-`.
///
/// # Errors
/// As [`read`], with a limit of [`DATA_BYTES_AT_MOST`].
pub fn read_data(path: &Path) -> Result<Text, Complaint> {
    if path != Path::new("-") {
        return read_at_most(path, DATA_BYTES_AT_MOST);
    }
    let path = Path::new("standard input");
    text_of(path, std::io::stdin().lock(), DATA_BYTES_AT_MOST)
}

fn read_at_most(path: &Path, at_most: u64) -> Result<Text, Complaint> {
    let file = std::fs::File::open(path).map_err(|source| Complaint::File {
        path: path.to_owned(),
        source,
    })?;
    text_of(path, file, at_most)
}

fn text_of(path: &Path, from: impl Read, at_most: u64) -> Result<Text, Complaint> {
    let fail = |source| Complaint::File {
        path: path.to_owned(),
        source,
    };
    let mut bytes = Vec::new();
    from.take(at_most + 1)
        .read_to_end(&mut bytes)
        .map_err(fail)?;
    if bytes.len() as u64 > at_most {
        return Err(Complaint::FileTooLong {
            path: path.to_owned(),
            at_most,
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

/// The script files that plans name, each from beside the plan that names it.
/// One that is not there is a mistake of the plan, told with the line that
/// names it.
///
/// # Errors
/// When one is there and cannot be read.
pub fn scripts_beside(plans: &[(&Path, &SentText)]) -> Result<Vec<SentText>, Complaint> {
    named_beside(plans, check::script_files)
}

/// The profile files that bench files name, each from beside the file that names
/// it, and the codecs that these name, or that profiles among the files do. One that
/// is not there is a mistake of the bench file, or of the profile.
///
/// # Errors
/// When one is there and cannot be read.
pub fn profiles_beside(files: &[(&Path, &SentText)]) -> Result<Vec<SentText>, Complaint> {
    let mut found = named_beside(files, check::profile_files)?;
    let beside = files.iter().flat_map(|(path, _)| {
        // A profile lies where its bench file does.
        found.iter().map(|profile| (*path, profile))
    });
    let profiles: Vec<_> = files.iter().copied().chain(beside).collect();
    let codecs = named_beside(&profiles, check::codec_files)?;
    found.extend(codecs);
    Ok(found)
}

fn named_beside(
    files: &[(&Path, &SentText)],
    named: impl Fn(&SentText) -> Vec<String>,
) -> Result<Vec<SentText>, Complaint> {
    let mut found: Vec<SentText> = Vec::new();
    for (path, file) in files {
        for name in named(file) {
            let path = beside(path, &name);
            if found.iter().any(|known| known.name == name) || !path.exists() {
                continue;
            }
            let Text { name, text } = read(&path)?;
            found.push(SentText { name, text });
        }
    }
    Ok(found)
}
