//! Profiles as a user writes them: the shipped ones, and every slip with its
//! message.

use super::read::profile;
use super::shipped::SHIPPED;

/// Every shipped profile is read without a word, its samples included.
#[test]
fn every_shipped_profile_is_read_without_a_word() {
    for shipped in SHIPPED {
        let file = format!("{}.yaml", shipped.name);
        let (read, warnings) = profile(&file, shipped.text).unwrap_or_else(|no| panic!("{no}"));
        assert_eq!(read.name, shipped.name);
        let told = written::render(&warnings, &written::Sources::new(), false);
        assert!(warnings.is_empty(), "{told}");
        assert!(!read.samples.is_empty(), "{file}");
    }
}
