//! Small typed inputs that the planner's tests share; no YAML.

use photometry::measured::Quantity;
use photometry::stabilisation::WindowRule;
use photometry::units::{Acceleration, Length, LengthUnit, Lux, Ratio, Span, Speed, Wall};

use super::card::{
    AuxiliaryLamp, BACK_WITHIN, Calibration, Card, Carries, DarkBy, Finger, Fingers, LitBy, Meter,
    Outlet, Outlets, Place, PlaceKind, Port, PortAddress, Rail, ReferenceLamp, Sphere, WrittenTerm,
};
use super::frozen::Frozen;
use super::intent::{
    Plan, PlanLine, Policies, Reference, Settings, Survey, Test, TestKind, WarmUp,
};
use super::kinds::{FluxTest, Sight, SpectraAsked};
use super::lamp::{Buttons, Datum, Descent, Lamp, Mode, ONLY_MODE, SwitchOff, Worked};
use super::layout;
use super::placement::{Placement, Seated};

/// 150 mm/s, 400 mm/s2, 2.1 m.
pub fn rail() -> Rail {
    Rail {
        port: "rail-port".to_owned(),
        profile: None,
        place: "axis".to_owned(),
        travel_from: Length::ZERO,
        travel_to: Length::from_mm(2100),
        speed: Speed::from_nm_per_s(150_000_000),
        acceleration: Acceleration::from_nm_per_s2(400_000_000),
        settle: Span::from_ms(500),
        away_is_up: true,
        carries: Carries::Meter,
        overshoot: Length::from_mm(2),
        datum_at: Length::from_mm(100),
        datum_uncertainty: Length::from_mm(1),
        gauge_uncertainty: Length::from_um(300),
        gauge_at: Length::from_um(252_400),
        home_tolerance: Length::from_um(100),
        back_within: BACK_WITHIN,
    }
}

/// An illuminance meter of 200 ms that rides on the carriage.
pub fn meter() -> Meter {
    Meter {
        name: "lux-head".to_owned(),
        port: "meter-port".to_owned(),
        place: "axis".to_owned(),
        rides: true,
        plane: Length::ZERO,
        yields: vec![Quantity::Illuminance],
        ranges: vec![Lux(20.0), Lux(200.0), Lux(2000.0), Lux(20_000.0)],
        integration: Span::from_ms(200),
        averages: 1,
        dark: DarkBy::Shutter,
        profile: None,
        serial: None,
        back_within: BACK_WITHIN,
        calibration: Calibration {
            certificate: "K-1".to_owned(),
            due: "2027-03-01".to_owned(),
        },
        uncertainty: Vec::new(),
    }
}

/// A bench with a rail, one meter and three fingers.
pub fn card() -> Card {
    let port = |name: &str, host_port: &str| Port {
        unit: None,
        serial_frames: false,
        traffic_kept: false,
        name: name.to_owned(),
        at: PortAddress::Tcp {
            host_port: host_port.to_owned(),
        },
    };
    let finger = |name: &str, channel| Finger {
        name: name.to_owned(),
        channel,
    };
    Card {
        name: "strand".to_owned(),
        lengths: LengthUnit::Inches,
        ports: vec![
            port("rail-port", "192.0.2.10:1"),
            port("meter-port", "192.0.2.10:2"),
            port("finger-port", "192.0.2.10:3"),
        ],
        places: vec![Place {
            name: "axis".to_owned(),
            kind: PlaceKind::Axis,
        }],
        rail: Some(rail()),
        meters: vec![meter()],
        fingers: Some(Fingers {
            profile: None,
            port: "finger-port".to_owned(),
            back_within: BACK_WITHIN,
            channels: vec![finger("left", 1), finger("right", 2), finger("round", 3)],
        }),
        outlets: None,
        control: None,
        stop_button: None,
        sphere: None,
        room: None,
        fixed_sensor: None,
        lamp_outlet: None,
    }
}

/// A lamp with one mode, worked by buttons.
pub fn lamp(levels: u16) -> Lamp {
    Lamp {
        name: "dunlin".to_owned(),
        modes: vec![Mode {
            name: ONLY_MODE.to_owned(),
            levels,
        }],
        worked: Worked::Buttons(Buttons {
            up: "brighter".to_owned(),
            descent: Descent::Button {
                down: "dimmer".to_owned(),
            },
            power: Some("power".to_owned()),
            mode: None,
            hold: Span::from_ms(100),
            rest: Span::from_ms(300),
            follows: Span::from_ms(400),
        }),
        face: Length::from_mm(200),
        datum: Datum::FrontFace,
        off: SwitchOff::Power,
        warm_up_cap: Span::from_mins(150),
        maximum_on: Span::from_mins(12 * 60),
        programs: Vec::new(),
        loses_clock: false,
        surface_m2: None,
    }
}

/// The lamp placed at the nominal datum, a finger on each button.
pub fn placement() -> Placement {
    let seated = |button: &str, finger: &str| Seated {
        button: button.to_owned(),
        finger: finger.to_owned(),
    };
    Placement {
        unit: "dunlin-1".to_owned(),
        lamp: "dunlin".to_owned(),
        firmware: None,
        bench: "strand".to_owned(),
        place: "axis".to_owned(),
        datum: Length::from_mm(100),
        datum_uncertainty: Length::from_mm(1),
        gauge: None,
        fingers: vec![
            seated("brighter", "left"),
            seated("dimmer", "right"),
            seated("power", "round"),
        ],
        who: "test".to_owned(),
        since: Wall::default(),
        stated: Default::default(),
    }
}

/// All levels at the given positions in inches, reference at the first.
pub fn survey(inches: &[i64]) -> Survey {
    let positions: Vec<Length> = inches
        .iter()
        .map(|inch| Length::from_nm(inch * 25_400_000))
        .collect();
    Survey {
        meter: None,
        settings: Settings::All,
        reference: Reference {
            at: positions.first().copied().unwrap_or_default(),
            every: 6,
            drift_limit: Ratio::new(0.005),
            give_up: Ratio::new(0.02),
        },
        positions,
        readings: 2,
        settle: None,
        dark: 5,
        ambient: 3,
        warm_up: WarmUp::Leg(WindowRule::LM79),
    }
}

/// A plan of one survey.
pub fn plan(survey: Survey) -> Plan {
    Plan {
        uses: Vec::new(),
        name: "sample".to_owned(),
        tests: vec![Test {
            name: "survey".to_owned(),
            line: PlanLine {
                file: "plan.yaml".to_owned(),
                line: 4,
            },
            kind: TestKind::Survey(survey),
        }],
        policies: Policies::default(),
    }
}

/// A sphere of 1 m at the place `sphere`: a reference lamp of 800 lm and an
/// auxiliary lamp, both on outlets ([`in_sphere`]).
pub fn sphere() -> Sphere {
    Sphere {
        place: "sphere".to_owned(),
        diameter: Length::from_mm(1000),
        reference: ReferenceLamp {
            name: "R-1".to_owned(),
            flux_lm: 800.0,
            uncertainty: vec![WrittenTerm {
                source: "certificate".to_owned(),
                share: Ratio::new(0.012),
            }],
            spectrum: None,
            calibration: Calibration {
                certificate: "K-7".to_owned(),
                due: "2027-09-01".to_owned(),
            },
            warm_up: Span::from_mins(10),
            lit: LitBy::Outlet("reference".to_owned()),
        },
        auxiliary: AuxiliaryLamp {
            lit: LitBy::Outlet("auxiliary".to_owned()),
            warm_up: Span::from_mins(5),
        },
    }
}

/// The sample bench with a sphere, its photometer and outlets; the unit in it.
pub fn in_sphere() -> (Card, Placement) {
    let mut card = card();
    card.places.push(Place {
        name: "sphere".to_owned(),
        kind: PlaceKind::Sphere,
    });
    card.meters.push(Meter {
        name: "port-head".to_owned(),
        port: "port-port".to_owned(),
        place: "sphere".to_owned(),
        rides: false,
        uncertainty: vec![WrittenTerm {
            source: "spectral mismatch".to_owned(),
            share: Ratio::new(0.005),
        }],
        ..meter()
    });
    let outlet = |name: &str, channel| Outlet {
        name: name.to_owned(),
        channel,
    };
    card.outlets = Some(Outlets {
        port: "outlet-port".to_owned(),
        profile: None,
        back_within: BACK_WITHIN,
        channels: vec![outlet("reference", 1), outlet("auxiliary", 2)],
    });
    card.sphere = Some(sphere());
    let placement = Placement {
        place: "sphere".to_owned(),
        datum: Length::ZERO,
        datum_uncertainty: Length::ZERO,
        ..placement()
    };
    (card, placement)
}

/// The same with a spectroradiometer at another port of the sphere, and a plan that asks
/// for two spectra of everything.
pub fn in_sphere_with_array(settings: Settings) -> (Card, Placement, Plan) {
    let (mut card, placement) = in_sphere();
    card.meters.push(Meter {
        name: "port-array".to_owned(),
        port: "array-port".to_owned(),
        yields: vec![Quantity::Spectrum],
        ranges: Vec::new(),
        dark: DarkBy::Shutter,
        uncertainty: vec![
            WrittenTerm {
                source: "certificate".to_owned(),
                share: Ratio::new(0.02),
            },
            WrittenTerm {
                source: "linearity".to_owned(),
                share: Ratio::new(0.003),
            },
        ],
        ..card.meters[1].clone()
    });
    let mut plan = flux(settings);
    if let TestKind::Flux(test) = &mut plan.tests[0].kind {
        test.spectra = Some(SpectraAsked {
            meter: None,
            captures: 2,
            dark: 2,
            longest: Span::from_secs(10),
        });
    }
    (card, placement, plan)
}

/// A plan of the flux of these settings: five readings each, a fixed warm-up.
pub fn flux(settings: Settings) -> Plan {
    let mut plan = plan(survey(&[24]));
    let sight = Sight {
        settings,
        at: None,
        watched_by: None,
        settle: None,
        warm_up: WarmUp::Fixed(Span::from_mins(20)),
        readings: 5,
        drift_limit: Ratio::new(0.005),
        give_up: Ratio::new(0.02),
    };
    "flux".clone_into(&mut plan.tests[0].name);
    plan.tests[0].kind = TestKind::Flux(FluxTest {
        sight,
        dark: 5,
        power_meter: None,
        spectra: None,
    });
    plan
}

/// A run of them as it is booked.
pub fn frozen(plan: Plan, lamp: Lamp, card: Card, placement: Placement) -> Frozen {
    let itinerary = layout::itinerary(&plan, &lamp, &placement, &card).expect("it fits");
    Frozen {
        program: "0.0.0".to_owned(),
        plan_texts: Vec::new(),
        redo_of: None,
        scripts: Vec::new(),
        plan,
        lamp,
        card,
        placement,
        itinerary,
    }
}
