//! What an account is made of, and the small questions that are asked of it.

use std::collections::BTreeMap;

use photometry::measured::Outcome;
use photometry::uncertainty::Estimate;

use super::data::{
    Account, AsideTold, BudgetLine, EventTold, Group, JournalTold, MeterTold, PlacementTold,
    PlanPlace, RawTold, RestsOn, Stated,
};
use crate::plan::card::WrittenTerm;
use crate::plan::frozen::Frozen;
use crate::plan::intent::PlanLine;
use crate::plan::profiles::{self, UsedProfile};
use crate::report::measures::Measure;
use crate::report::survey::{K, SurveyFigures};
use crate::report::{digits, gather};
use crate::run::journal::{Event, Link};
use crate::store::counts::Standing;
use crate::store::readings::ReadingRow;
use crate::store::remarks::{Remark, RemarkKind};
use crate::store::rulings::RulingRow;

/// Lines below a plan's line that are shown with it: a test has some dozen.
const PLAN_LINES_AT_MOST: usize = 24;

/// All that a run left.
pub struct Sources<'a> {
    /// The run's number.
    pub run: i64,
    /// What it froze.
    pub frozen: &'a Frozen,
    /// Its readings, in order.
    pub rows: &'a [ReadingRow],
    /// Its events, in order.
    pub events: &'a [Event],
    /// Their lines and links, in order.
    pub lines: &'a [(String, Link)],
    /// All its rulings, oldest round first.
    pub rulings: &'a [RulingRow],
    /// The scripts' texts by their digests.
    pub scripts: &'a BTreeMap<String, String>,
    /// The texts of plans that were sent along to rule by, by their digests.
    pub plans: &'a BTreeMap<String, String>,
    /// What people said of it, in order.
    pub remarks: &'a [Remark],
    /// For the account of a ruling: the run as its round looked at it.
    pub as_ruled: Option<AsRuled<'a>>,
    /// The program that computes, with its version.
    pub program: &'a str,
    /// How an instant is written.
    pub utc: fn(photometry::units::Wall) -> String,
    /// Its surveys.
    pub surveys: Vec<SurveyFigures>,
    /// What its other tests found.
    pub measures: Vec<Measure>,
}

/// A run as a round of rulings looked at it: no later readings, nothing that was
/// set aside later, under the certificate that it was ruled as with.
pub struct AsRuled<'a> {
    /// What the run froze, with that certificate in its meters.
    pub frozen: &'a Frozen,
    /// Its readings, times that certificate's gain.
    pub rows: &'a [ReadingRow],
    /// Its surveys.
    pub surveys: Vec<SurveyFigures>,
}

impl<'a> Sources<'a> {
    /// The sources as the round of the ruling looked at them.
    pub(super) fn looked_at(&self) -> Option<Sources<'a>> {
        let ruled = self.as_ruled.as_ref()?;
        Some(Sources {
            frozen: ruled.frozen,
            rows: ruled.rows,
            surveys: ruled.surveys.clone(),
            measures: Vec::new(),
            as_ruled: None,
            ..*self
        })
    }

    /// Who set these readings aside, when and why.
    pub(super) fn asides<'r>(&self, rows: impl Iterator<Item = &'r ReadingRow>) -> Vec<AsideTold> {
        let seqs: Vec<u64> = rows
            .filter(|row| row.set_aside.is_some())
            .map(|row| row.seq)
            .collect();
        let asides = self.remarks.iter();
        let asides = asides.filter(|remark| remark.kind == RemarkKind::SetAside);
        asides
            .filter_map(|remark| {
                let about = remark.readings.iter().filter(|r| seqs.contains(&r.seq));
                let readings: Vec<String> = about
                    .map(|r| format!("event {}, {}", r.seq, r.key))
                    .collect();
                (!readings.is_empty()).then(|| AsideTold {
                    remark: remark.no,
                    who: remark.who.clone(),
                    because: remark.text.clone(),
                    at_utc: (self.utc)(remark.at()),
                    readings,
                })
            })
            .collect()
    }

    /// The surveys of a run, gathered once.
    pub fn surveys_of(
        frozen: &Frozen,
        rows: &[ReadingRow],
        events: &[Event],
    ) -> Vec<SurveyFigures> {
        gather::surveys(frozen, rows, events)
    }

    /// The reading of an event.
    pub(super) fn row(&self, seq: u64) -> Option<&'a ReadingRow> {
        let at = self.rows.binary_search_by_key(&seq, |row| row.seq).ok()?;
        self.rows.get(at)
    }

    /// A group of raw readings; none when there are none.
    pub(super) fn group(
        &self,
        title: impl Into<String>,
        rows: impl IntoIterator<Item = &'a ReadingRow>,
    ) -> Option<Group> {
        let readings: Vec<RawTold> = rows.into_iter().map(|row| self.raw(row)).collect();
        (!readings.is_empty()).then(|| Group {
            title: title.into(),
            readings,
        })
    }

    /// The same by the events' numbers.
    pub(super) fn group_of(&self, title: impl Into<String>, seqs: &[u64]) -> Option<Group> {
        self.group(title, seqs.iter().filter_map(|seq| self.row(*seq)))
    }

    fn raw(&self, row: &ReadingRow) -> RawTold {
        let reading = &row.reading;
        RawTold {
            seq: row.seq,
            key: row.key.to_string(),
            attempt: row.attempt,
            sitting: row.sitting,
            taken_utc: (self.utc)(reading.taken.wall),
            taken_mono_s: reading.taken.mono.ns() as f64 / 1e9,
            raw: reading.raw.escape_ascii().to_string(),
            outcome: outcome_words(&reading.outcome),
            range_lx: reading.range,
            flags: reading.flags.clone(),
            standing: match &row.taken_back {
                Some(why) => format!(
                    "{}; it was set aside, and that was taken back: {why}",
                    standing_words(row.standing)
                ),
                None => standing_words(row.standing).to_owned(),
            },
        }
    }

    /// An event as the journal has it.
    pub(super) fn event(&self, seq: u64) -> Option<EventTold> {
        let at = self.events.binary_search_by_key(&seq, |e| e.seq).ok()?;
        Some(EventTold {
            seq,
            at_utc: (self.utc)(self.events.get(at)?.at.wall),
            line: self.lines.get(at)?.0.clone(),
        })
    }

    /// A line of a frozen file, with what is indented below it.
    pub(super) fn plan_place(&self, line: &PlanLine) -> PlanPlace {
        let texts = self.frozen.plan_texts.iter();
        let text = texts.filter(|text| text.name == line.file);
        let text = text.map(|text| text.text.as_str()).next().unwrap_or("");
        place_in(text, line)
    }

    /// The plan's entry of a test.
    pub(super) fn plan_of_test(&self, test: &str) -> Option<PlanPlace> {
        let mut heads = self.frozen.itinerary.tests.iter();
        let head = heads.find(|head| head.name == test)?;
        Some(self.plan_place(&head.line))
    }

    /// The account with what all of them have: meters, placement, journal.
    pub(super) fn finish(&self, mut account: Account) -> Account {
        let groups = account.readings.iter().flat_map(|group| &group.readings);
        let mut seqs: Vec<u64> = groups.map(|reading| reading.seq).collect();
        seqs.extend(account.events.iter().map(|event| event.seq));
        if account.meters.is_empty() {
            account.meters = self.meters(&seqs);
        }
        account.placement = self.placement();
        let known = Some(account.journal.seq).filter(|seq| *seq > 0);
        account.journal = self.journal(known.or(seqs.iter().copied().max()));
        account
    }

    /// The meters of these readings, each with the certificate then in force.
    pub(super) fn meters(&self, seqs: &[u64]) -> Vec<MeterTold> {
        let mut found: Vec<MeterTold> = Vec::new();
        for row in seqs.iter().filter_map(|seq| self.row(*seq)) {
            let name = &row.reading.meter;
            let certificate = row.beside.certificate.clone().unwrap_or_default();
            let known = |told: &&MeterTold| told.name == *name && told.certificate == certificate;
            if found.iter().any(|told| known(&told)) {
                continue;
            }
            let meter = self.frozen.card.meters.iter().find(|m| m.name == *name);
            found.push(MeterTold {
                name: name.clone(),
                serial: meter.and_then(|meter| meter.serial.clone()),
                certificate,
                due: row.beside.calibration_due.clone().unwrap_or_default(),
                terms: meter.map_or_else(Vec::new, |meter| stated_terms(&meter.uncertainty)),
                profile: meter.and_then(|meter| meter.profile.as_ref()).map(followed),
            });
        }
        found
    }

    /// A meter as the run froze it, for what holds no row of its own: a capture.
    pub(super) fn meter_by_card(&self, name: &str) -> Option<MeterTold> {
        let mut meters = self.frozen.card.meters.iter();
        let meter = meters.find(|meter| meter.name == name)?;
        Some(MeterTold {
            name: meter.name.clone(),
            serial: meter.serial.clone(),
            certificate: meter.calibration.certificate.clone(),
            due: meter.calibration.due.clone(),
            terms: stated_terms(&meter.uncertainty),
            profile: meter.profile.as_ref().map(followed),
        })
    }

    /// The reference lamp of the sphere, which a flux rests on as it does on a meter.
    pub(super) fn reference_lamp(&self) -> Option<MeterTold> {
        let lamp = &self.frozen.card.sphere.as_ref()?.reference;
        Some(MeterTold {
            name: format!("reference lamp {}", lamp.name),
            serial: None,
            certificate: lamp.calibration.certificate.clone(),
            due: lamp.calibration.due.clone(),
            terms: stated_terms(&lamp.uncertainty),
            profile: None,
        })
    }

    fn placement(&self) -> PlacementTold {
        let placement = &self.frozen.placement;
        let seated = placement.fingers.iter();
        PlacementTold {
            lamp: placement.lamp.clone(),
            unit: placement.unit.clone(),
            firmware: placement.firmware.clone(),
            bench: placement.bench.clone(),
            place: placement.place.clone(),
            datum: format!(
                "position zero at coordinate {}, u = {} (k = 1)",
                placement.datum, placement.datum_uncertainty
            ),
            gauge: placement.gauge.map(|gauge| gauge.to_string()),
            fingers: seated
                .map(|seated| format!("{} on {}", seated.finger, seated.button))
                .collect(),
            who: placement.who.clone(),
            since_utc: (self.utc)(placement.since),
        }
    }

    /// The link of the chain after an event.
    pub(super) fn link_after(&self, seq: u64) -> Option<Link> {
        let at = self.events.binary_search_by_key(&seq, |e| e.seq).ok()?;
        Some(self.lines.get(at)?.1)
    }

    fn journal(&self, seq: Option<u64>) -> JournalTold {
        let link_after = |seq| self.link_after(seq).map(|link| link.hex());
        let bundle = self.events.first().and_then(|event| match &event.body {
            crate::run::journal::Body::Begun { bundle } => Some(bundle.clone()),
            _ => None,
        });
        let last_seq = self.events.last().map_or(0, |event| event.seq);
        let seq = seq.unwrap_or(last_seq);
        JournalTold {
            run: self.run,
            program: format!("wakerail {}", self.frozen.program),
            computed_by: self.program.to_owned(),
            bundle: bundle.unwrap_or_default(),
            seq,
            link: link_after(seq).unwrap_or_default(),
            last_seq,
            last_link: link_after(last_seq).unwrap_or_default(),
        }
    }
}

/// A line of a file's text, with what is indented below it.
pub(super) fn place_in(text: &str, line: &PlanLine) -> PlanPlace {
    let mut lines = text.lines().skip((line.line as usize).saturating_sub(1));
    let indent = |line: &str| line.len() - line.trim_start().len();
    let first = lines.next().unwrap_or("");
    let below = lines.take_while(|l| l.trim().is_empty() || indent(l) > indent(first));
    let block: Vec<&str> = std::iter::once(first)
        .chain(below.take(PLAN_LINES_AT_MOST))
        .collect();
    PlanPlace {
        digest: match text {
            "" => String::new(),
            text => Link::of_bundle(text.as_bytes()).hex(),
        },
        file: line.file.clone(),
        line: line.line,
        text: block.join("\n").trim_end().to_owned(),
    }
}

/// A value with its U (k = 2), as it is printed.
pub(super) fn stated(value: f64, expanded: Option<f64>, unit: &str) -> Stated {
    let (text, u) = digits::shown(value, expanded);
    let u = u.map_or_else(String::new, |u| format!(" ± {u}"));
    Stated {
        label: String::new(),
        shown: format!("{text}{u} {unit}").trim_end().to_owned(),
        value: finite(value),
        expanded: expanded.and_then(finite),
        coverage_factor: expanded.map(|_| K),
        unit: unit.to_owned(),
    }
}

/// No value; why.
pub(super) fn no_value(why: impl Into<String>, unit: &str) -> Stated {
    Stated {
        shown: why.into(),
        unit: unit.to_owned(),
        ..Stated::default()
    }
}

/// A figure that another rests on.
pub(super) fn rests_on(id: impl ToString, shown: impl Into<String>) -> RestsOn {
    RestsOn {
        id: id.to_string(),
        shown: shown.into(),
    }
}

/// Where an estimate's uncertainty comes from. What cancels leaves the rounding
/// of binary fractions behind: what neither the sum of squares nor the value can
/// carry is 0.
pub(super) fn budget(estimate: &Estimate) -> Vec<BudgetLine> {
    let least_u = f64::EPSILON * estimate.value.abs();
    let shares = estimate.shares().into_iter();
    shares
        .map(|share| {
            let dust = share.share < f64::EPSILON || share.u < least_u;
            let carried = |number: f64| if dust { Some(0.0) } else { finite(number) };
            BudgetLine {
                u: carried(share.u),
                share_percent: carried(share.share * 100.0),
                source: share.source,
                dof: share.dof.and_then(finite),
            }
        })
        .collect()
}

/// Ten significant digits at most: enough to recompute a figure by hand, and no
/// noise of binary fractions. The exact numbers stand in the JSON.
pub(super) fn ten_digits(value: f64) -> String {
    const LEAST: f64 = 1e-6;
    if value != 0.0 && value.abs() < LEAST {
        return format!("{value:.3e}");
    }
    let rounded: Option<f64> = format!("{value:.9e}").parse().ok();
    rounded.unwrap_or(value).to_string()
}

pub(super) fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn outcome_words(outcome: &Outcome) -> String {
    match outcome {
        Outcome::Value(value) => format!("{value} lx"),
        Outcome::Over(limit) => format!("over {limit} lx"),
        Outcome::Under(limit) => format!("under {limit} lx"),
        Outcome::TimedOut => "timed out".to_owned(),
        Outcome::Rejected(reason) => format!("rejected: {reason}"),
    }
}

const fn standing_words(standing: Standing) -> &'static str {
    match standing {
        Standing::Counts => "counts",
        Standing::Superseded => "superseded: measured again later",
        Standing::Unfinished => "its point was not finished",
        Standing::Preamble => "after a break",
        Standing::SetAside => "set aside by a person",
    }
}

/// Terms of uncertainty as a bench file states them.
fn stated_terms(terms: &[WrittenTerm]) -> Vec<String> {
    let terms = terms.iter();
    terms
        .map(|term| format!("{} {} (k = 1)", term.source, term.share))
        .collect()
}

/// A profile that a meter followed, and its codec, with the digests of their texts,
/// and the values that the bench file gave to its settings.
fn followed(used: &UsedProfile) -> String {
    let told = |name: &str, text: &str| {
        let digest = Link::of_bundle(text.as_bytes()).hex();
        format!("{name}, SHA-256 {digest}")
    };
    let profile = told(&used.name, &used.text);
    let codec = used.codec.as_ref().map(|codec| {
        let codec = told(&codec.name, &codec.text);
        format!(", through the codec {codec}")
    });
    let given = profiles::given(&used.settings).map(|given| format!(", with {given}"));
    [Some(profile), codec, given]
        .into_iter()
        .flatten()
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::frozen::SentText;
    use crate::plan::profiles::GivenSetting;

    /// A certificate cancels in a ratio: what is left of it is rounding, and is
    /// told as nothing; what is small and real is not.
    #[test]
    fn what_cancels_has_no_u() {
        let lit = |lux: f64, own: &str| {
            let estimate = Estimate::exact(lux).with("certificate", 0.015 * lux, None);
            estimate.with(own, 1e-5 * lux, Some(4.0))
        };
        let pairs = (1..40).map(f64::from);
        let pairs = pairs.map(|at| (lit(at * 0.7, "a"), lit(at * 1.19, "b")));
        let mut dusty = 0;
        for (a, b) in pairs {
            let ratio = a.over(&b);
            let shares = ratio.shares();
            let certificate = shares.iter().find(|share| share.source == "certificate");
            dusty += usize::from(certificate.is_some_and(|share| share.u > 0.0));
            for line in budget(&ratio) {
                let left = line.source != "certificate";
                assert_eq!(line.u.is_some_and(|u| u > 0.0), left, "{line:?}");
                assert_eq!(line.share_percent.is_some_and(|share| share > 1.0), left);
            }
        }
        assert!(dusty > 0, "no case leaves dust");
        let alone = Estimate::exact(1.7).with("certificate", 3e-18, None);
        assert_eq!(budget(&alone)[0].u, Some(0.0));
    }

    /// SHA-256 of `abc` and of nothing: FIPS 180-4's examples (from memory).
    #[test]
    fn a_codec_is_told_with_its_profile() {
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        let empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";
        let mut used = UsedProfile {
            name: "mine.yaml".to_owned(),
            text: "abc".to_owned(),
            ..UsedProfile::default()
        };
        assert_eq!(followed(&used), format!("mine.yaml, SHA-256 {abc}"));
        used.codec = Some(SentText {
            name: "mine.rhai".to_owned(),
            text: String::new(),
        });
        let told =
            format!("mine.yaml, SHA-256 {abc}, through the codec mine.rhai, SHA-256 {empty}");
        assert_eq!(followed(&used), told);
        let given = |name: &str, value: &str| GivenSetting {
            name: name.to_owned(),
            value: value.to_owned(),
        };
        used.settings = vec![given("gain", "4"), given("filter", "off")];
        let told = format!("{told}, with gain 4, filter off");
        assert_eq!(followed(&used), told);
    }
}
