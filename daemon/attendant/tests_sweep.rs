//! Plans of several tests, killed all over the night: what a person would see
//! at each reading is what the reading says.

use std::sync::Arc;

use photometry::units::Span;

use super::scene::{By, Dies, Nobody, Sat, Scene};
use super::tests::{moves_before_homing, promised, results, short};
use super::tests_safe::{Eyes, says_the_truth};
use crate::plan::intent::{SettingWord, Settings, Survey, TestKind, WarmUp};
use crate::plan::itinerary::Purpose;
use crate::plan::{layout, samples};
use crate::run::journal::{Body, End};

/// Two tests in one plan, without ambient readings in one of them.
pub(super) fn two_tests(seed: u64, levels: u16) -> Scene {
    let first = Survey {
        settings: Settings::These(vec![SettingWord::HalfSetting, SettingWord::Full]),
        warm_up: WarmUp::Fixed(Span::from_mins(10)),
        dark: 0,
        ambient: 0,
        ..samples::survey(&[12, 24])
    };
    let second = Survey {
        settings: Settings::These(vec![SettingWord::Level(1), SettingWord::Full]),
        warm_up: WarmUp::Fixed(Span::from_mins(5)),
        ..short()
    };
    let mut scene = Scene::new(seed, By::Memory, levels, first);
    let frozen = Arc::get_mut(&mut scene.frozen).expect("only one");
    let mut other = frozen.plan.tests[0].clone();
    other.name = "again".to_owned();
    other.kind = TestKind::Survey(second);
    frozen.plan.tests.push(other);
    frozen.itinerary =
        layout::itinerary(&frozen.plan, &frozen.lamp, &frozen.placement, &frozen.card)
            .expect("it fits");
    scene
}

/// What a person would see at each reading, over all sittings.
pub(super) fn stands_under_its_level(seen: &[(Body, u16)], what: &str) -> usize {
    let mut checked = 0;
    for (body, level) in seen {
        let Body::Taken { key, .. } = body else {
            continue;
        };
        let wanted = match key.purpose {
            Purpose::Read | Purpose::Reference | Purpose::Return => &key.setting,
            Purpose::Ambient => "off",
            _ => continue,
        };
        let stood = match level {
            0 => "off".to_owned(),
            level => format!("L{level:02}"),
        };
        assert_eq!(stood, *wanted, "{what}: {key}");
        checked += 1;
    }
    checked
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_tests_killed_anywhere_stand_under_their_levels() {
    let long = std::env::var_os("WAKERAIL_LONG").is_some();
    let whole = two_tests(2, 5);
    assert_eq!(whole.sit(Nobody).await, Sat::Ended(End::Complete));
    let writes = whole.paper.events().len();
    let mut checked = 0;
    for (nth, how) in (1..=writes)
        .step_by(if long { 5 } else { 29 })
        .flat_map(|nth| [(nth, Dies::Before), (nth, Dies::After)])
    {
        let scene = two_tests(2, 5);
        scene.paper.dies_at(nth, how);
        let eyes = Eyes::default();
        let what = format!("died {how:?} {nth}");
        if scene.sit(eyes.clone()).await == Sat::Died {
            scene.paper.lives();
            assert_eq!(
                scene.sit(eyes.clone()).await,
                Sat::Ended(End::Complete),
                "{what}"
            );
        }
        let (itinerary, events) = (&scene.frozen.itinerary, scene.paper.events());
        assert_eq!(results(itinerary, &events), promised(itinerary), "{what}");
        assert_eq!(moves_before_homing(itinerary, &events), 0, "{what}");
        checked += stands_under_its_level(&eyes.seen(), &what);
        says_the_truth(&eyes.seen(), &what);
    }
    assert!(checked > 900, "{checked}");
}
