//! Which profile files a bench file names, and which are read by themselves.

use std::cell::RefCell;

use written::Mistakes;

use super::card::Card;
use super::check;
use super::frozen::SentText;
use super::profiles::{self, ProfilePlaces, Profiles};
use super::tests::{TODAY, example, text};
use super::uses::NotAsked;

/// Knows one codec, and remembers of what it was asked.
#[derive(Default)]
struct Remembers {
    checked: RefCell<Vec<String>>,
}

impl Profiles for Remembers {
    fn texts(&self, _: &Card) -> Vec<SentText> {
        Vec::new()
    }
    fn codec(&self, profile: &SentText) -> Option<SentText> {
        profiles::codec(profile).map(|name| text(&name, "fn need(b) { 0 }\n"))
    }
    fn fill(&self, _: &mut Card, _: &ProfilePlaces, _: &mut Mistakes) {}
    fn check(&self, file: &SentText, _: &mut Mistakes) {
        self.checked.borrow_mut().push(file.name.clone());
    }
}

#[test]
fn the_profile_files_of_a_bench_are_named_once() {
    for (bench, expected) in [
        (
            "meters: {a: {profile: mine.yaml}, b: {profile: mine.yaml}}",
            &["mine.yaml"][..],
        ),
        ("meters: {a: {profile: asked-luxmeter}}", &[]),
        (
            "meters: {a: {profile: mine.yml}}\nfingers: {profile: it.yaml}\nrail: {profile: r.yaml}",
            &["mine.yml", "it.yaml", "r.yaml"],
        ),
        ("meters: {a: {profile: 7}, b: 3}\nfingers: {}", &[]),
        ("lamp: curlew", &[]),
    ] {
        let document = written::read("bench.yaml", bench).expect("yaml");
        assert_eq!(profiles::files(&document), expected, "{bench}");
    }
}

#[test]
fn a_profiles_codec_is_a_file_beside_it() {
    for (profile, expected) in [
        ("profile: it\ncodec: it.rhai", Some("it.rhai")),
        ("profile: it\ncodec: up/it.rhai", None),
        ("profile: it\ncodec: it.txt", None),
        ("profile: it\ncodec: [it.rhai]", None),
        ("profile: it", None),
        ("bench: it\ncodec: it.rhai", None),
        ("profile: [", None),
    ] {
        let named = profiles::codec(&text("it.yaml", profile));
        assert_eq!(named.as_deref(), expected, "{profile}");
    }
}

/// A profile that a device of the bench follows is told with the device.
#[test]
fn profiles_given_by_themselves_are_read_by_themselves() {
    let profile = text("mine.yaml", "profile: mine\ncodec: mine.rhai\n");
    let other = text("other.yaml", "profile: other\n");
    let follows = {
        let bench = example("bench-strand.yaml");
        let at = bench.text.find("rail:\n").expect("a rail");
        let (before, after) = bench.text.split_at(at + "rail:\n".len());
        text(
            &bench.name,
            &format!("{before}  profile: mine.yaml\n{after}"),
        )
    };
    for (files, expected) in [
        (
            vec![profile.clone(), other.clone()],
            &["mine.yaml", "other.yaml"][..],
        ),
        (
            vec![example("bench-strand.yaml"), profile.clone()],
            &["mine.yaml"],
        ),
        (vec![follows, profile, other], &["other.yaml"]),
    ] {
        let remembers = Remembers::default();
        check::check(&files, TODAY, &NotAsked, &remembers);
        assert_eq!(*remembers.checked.borrow(), expected);
    }
}
