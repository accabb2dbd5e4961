//! Captures: their bytes come back as they were, and one that was changed behind the
//! triggers is found and given to nobody.

use photometry::measured::{Axis, Capture, CaptureOutcome, NumberForm, Outcome, Packing, Quantity};
use photometry::units::Span;

use super::open::Store;
use super::samples::{Story, frozen, record};
use crate::plan::itinerary::{Purpose, What};
use crate::plan::samples;
use crate::run::journal::{Body, End, RunId};

/// Two numbers over two wavelengths, each after the head of its block.
fn spectrum(story: &Story) -> Capture {
    let packing = Packing {
        form: NumberForm::I16,
        high_first: true,
        from: 3,
        count: 2,
        times: 0.5,
    };
    Capture {
        meter: "lux-head".to_owned(),
        quantity: Quantity::Spectrum,
        outcome: CaptureOutcome::Numbers(2),
        axis: Axis::Wavelengths,
        integration: Some(Span::from_ms(50)),
        fill: Some(0.5),
        top: None,
        filter_hz: None,
        flags: Vec::new(),
        packing: Some(packing),
        axis_packing: Some(packing),
        asked: story.now(),
        taken: story.now(),
        raw: b"#14\x00\x02\x01\x00\n".to_vec(),
        axis_raw: b"#14\x03\x20\x05\x78\n".to_vec(),
    }
}

/// A run whose first planned reading is a spectrum; the capture's event.
pub(super) async fn with_a_spectrum(store: &Store) -> (RunId, Capture, u64) {
    let mut frozen = frozen(1, samples::survey(&[6]));
    let mut actions = frozen.itinerary.actions.iter_mut();
    let of_read = |action: &&mut crate::plan::itinerary::Action| {
        let key = action.key.as_ref();
        key.is_some_and(|key| key.purpose == Purpose::Read)
    };
    let action = actions.find(of_read).expect("a reading");
    let (no, key) = (action.no, action.key.clone().expect("a key"));
    action.what = What::Capture {
        meter: "lux-head".to_owned(),
        quantity: Quantity::Spectrum,
        purpose: Purpose::Read,
        sampling: None,
    };
    let mut story = Story::begin(frozen);
    let lit = |_: &crate::plan::itinerary::Key, _| Outcome::Value(100.0);
    story.act(0..no, lit);
    story.seconds += 1;
    let doing = "as planned".to_owned();
    story.tell(Some(no.into()), Body::Started { doing });
    let capture = spectrum(&story);
    story.tell(Some(no.into()), Body::captured(key, capture.clone()));
    let seq = story.events.len() as u64;
    story.act(no + 1..story.actions(), lit);
    story.tell(None, Body::Ended { end: End::Complete });
    (story.write(store).await, capture, seq)
}

#[tokio::test]
async fn bytes_come_back_when_they_are_asked_for() {
    let (_folder, store) = record().await;
    let (run, capture, seq) = with_a_spectrum(&store).await;
    assert_eq!(store.verify(run).await.expect("verified").bad, None);
    let mut whole = store.whole(run).await.expect("read").expect("a run");
    let row = &whole.captures[0];
    assert_eq!((whole.captures.len(), row.seq, row.counts), (1, seq, true));
    assert_eq!(row.capture.numbers(), None, "without its bytes");
    store.fetch_bytes(&mut whole.captures).await.expect("read");
    assert_eq!(whole.captures[0].capture, capture);
    // By hand: 0x0002 and 0x0100 times 0.5; 0x0320 and 0x0578 times 0.5.
    let found = &whole.captures[0].capture;
    assert_eq!(found.numbers(), Some(vec![1.0, 128.0]));
    assert_eq!(found.axis_numbers(), Some(vec![400.0, 700.0]));
}

/// Each column in its turn, as a bad disk would; the event is named.
#[tokio::test]
async fn a_change_behind_the_triggers_is_found_in_every_column() {
    let edits = [
        "raw = x'2331340000000000'",
        "raw = zeroblob(length(raw))",
        "axis_raw = x'00'",
        "digest = lower(hex(randomblob(32)))",
        "axis_digest = lower(hex(randomblob(32)))",
        "key = key || '0'",
        "test = 'other'",
        "setting = 'L99'",
        "position_nm = position_nm + 1",
        "purpose = 'dark'",
        "visit = visit + 1",
        "no = no + 1",
        "attempt = attempt + 1",
        "sitting = sitting + 1",
        "meter = 'other'",
        "quantity = 'waveform'",
        "outcome = 'over'",
        "numbers = numbers + 1",
        "taken_mono_ns = taken_mono_ns + 1",
        "taken_wall_us = taken_wall_us + 1",
        "certificate = 'K-2'",
        "calibration_due = '2099-01-01'",
        "sample = 'dunlin-9'",
        "firmware = '9.9'",
    ];
    for edit in edits {
        let (_folder, store) = record().await;
        let (run, _, seq) = with_a_spectrum(&store).await;
        let writer = store.writer().expect("a writer");
        let change = format!("UPDATE captures SET {edit}");
        let refused = sqlx::query(sqlx::AssertSqlSafe(change.clone()));
        let refused = refused.execute(writer).await.expect_err(edit).to_string();
        assert!(refused.contains("never edited"), "{edit}: {refused}");
        for sql in ["DROP TRIGGER captures_no_update".to_owned(), change] {
            let done = sqlx::query(sqlx::AssertSqlSafe(sql)).execute(writer).await;
            done.expect(edit);
        }
        let bad = store.verify(run).await.expect("verified").bad;
        assert_eq!(bad.map(|bad| bad.seq), Some(seq), "{edit}");
        let mut whole = store.whole(run).await.expect("read").expect("a run");
        store.fetch_bytes(&mut whole.captures).await.expect("read");
        let found = &whole.captures[0].capture;
        if edit.starts_with("raw") || edit.starts_with("digest") {
            let given = found.numbers();
            let is_damaged = edit.starts_with("raw");
            assert_eq!(given.is_none(), is_damaged, "{edit}: {given:?}");
        }
    }
}

/// A row that is gone is missed, also by whoever asks for its bytes.
#[tokio::test]
async fn a_row_that_is_gone_is_missed() {
    let (_folder, store) = record().await;
    let (run, _, seq) = with_a_spectrum(&store).await;
    let writer = store.writer().expect("a writer");
    for sql in ["DROP TRIGGER captures_no_delete", "DELETE FROM captures"] {
        sqlx::query(sql).execute(writer).await.expect(sql);
    }
    let bad = store.verify(run).await.expect("verified").bad;
    let bad = bad.map(|bad| (bad.seq, bad.why));
    assert_eq!(bad, Some((seq, "its capture's row is missing".to_owned())));
    let mut whole = store.whole(run).await.expect("read").expect("a run");
    store.fetch_bytes(&mut whole.captures).await.expect("read");
    assert_eq!(whole.captures[0].capture.numbers(), None);
}
