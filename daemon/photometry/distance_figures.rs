//! The figures of illuminance against distance under their names.
//!
//! Used by: `compute distance`, reports, scripts. Not here: the fits (distance)
//! and labels (far_field).

use crate::distance::{DistanceFit, FitError, Point, fit_disc, fit_offset};
use crate::far_field::{Reached, distance_for};
use crate::figure::{Figure, Given};

/// Names with their standards.
pub mod names {
    use crate::figure::figure_names;

    figure_names! {
        OFFSET_INTENSITY_CD "offset_intensity_cd" "cd" "intensity by the offset fit" "own method, common practice" "320 cd with 18 mm behind the front, 1e-6";
        OFFSET_M "offset_m" "m" "how far behind the datum the light begins" "own method, common practice" "0.018 m, 1e-6";
        OFFSET_WORST "offset_worst_residual_percent" "%" "worst residual of the offset fit" "own definition" "closed forms";
        DISC_INTENSITY_CD "disc_intensity_cd" "cd" "intensity by the disc fit" "own method, common practice" "500 cd panel, closed form, 1e-6";
        DISC_RADIUS_M "disc_radius_m" "m" "radius of the luminous disc" "own method, common practice" "0.1 m panel, closed form, 1e-9";
        DISC_WORST "disc_worst_residual_percent" "%" "worst residual of the disc fit" "own definition" "closed forms";
        TARGET_DISTANCE_M "target_distance_m" "m" "where the target illuminance is reached, between measured points" "own definition" "inverse square between points, 1e-12";
    }
}

use names::*;

/// Both fits and the distance of a target in lux, where one is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct DistanceFigures {
    /// The offset fit, or why there is none.
    pub offset: Result<DistanceFit, FitError>,
    /// The disc fit, or why there is none.
    pub disc: Result<DistanceFit, FitError>,
    /// Where the target is reached.
    pub target: Option<Reached>,
}

impl DistanceFigures {
    /// Of these points.
    pub fn of(points: &[Point], target_lx: Option<f64>) -> DistanceFigures {
        DistanceFigures {
            offset: fit_offset(points),
            disc: fit_disc(points),
            target: target_lx.map(|target| distance_for(points, target)),
        }
    }

    /// As named figures; a fit whose worst residual is above 2 % is marked
    /// `residuals`.
    pub fn figures(&self) -> Vec<Figure> {
        let mut figures = Vec::new();
        match &self.offset {
            Ok(fit) => {
                let intensity = Figure::estimate(&OFFSET_INTENSITY_CD, fit.intensity_cd.clone());
                let offset = fit.offset_m.clone();
                let offset = offset.map(|offset| Figure::estimate(&OFFSET_M, offset));
                figures.extend(marked(fit, intensity));
                figures.extend(offset.into_iter().flat_map(|offset| marked(fit, offset)));
                figures.push(Figure::number(&OFFSET_WORST, 100.0 * fit.worst_residual()));
            }
            Err(why) => {
                let names = [&OFFSET_INTENSITY_CD, &OFFSET_M, &OFFSET_WORST];
                figures.extend(names.map(|name| Figure::withheld(name, why.to_string())));
            }
        }
        match &self.disc {
            Ok(fit) => {
                let intensity = Figure::estimate(&DISC_INTENSITY_CD, fit.intensity_cd.clone());
                let point = "the light falls faster than a point's: no disc";
                let radius = Figure::or_withheld(&DISC_RADIUS_M, fit.radius_m, point);
                figures.extend(marked(fit, intensity));
                figures.extend(marked(fit, radius));
                figures.push(Figure::number(&DISC_WORST, 100.0 * fit.worst_residual()));
            }
            Err(why) => {
                let names = [&DISC_INTENSITY_CD, &DISC_RADIUS_M, &DISC_WORST];
                figures.extend(names.map(|name| Figure::withheld(name, why.to_string())));
            }
        }
        figures.extend(self.target.map(|target| {
            let given = match target {
                Reached::At(distance) => Given::Number(distance),
                Reached::Nearer => Given::Withheld("nearer than the nearest point".to_owned()),
                Reached::Farther => Given::Withheld("farther than the farthest point".to_owned()),
                Reached::NotKnown => Given::Withheld("the points do not tell".to_owned()),
            };
            Figure::of(&TARGET_DISTANCE_M, given)
        }));
        figures
    }
}

fn marked(fit: &DistanceFit, figure: Figure) -> [Figure; 1] {
    if fit.holds() || figure.value().is_none() {
        [figure]
    } else {
        [figure.marked("residuals")]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_name_is_given_once_with_fits_and_without() {
        let panel: Vec<Point> = (1..9)
            .map(|station| {
                let distance_m = 0.1524 * f64::from(station);
                Point {
                    distance_m,
                    e_lx: 500.0 / (distance_m * distance_m + 0.01),
                    u_lx: None,
                }
            })
            .collect();
        for points in [&panel[..], &panel[..2]] {
            let figures = DistanceFigures::of(points, Some(1_000.0)).figures();
            let mut given: Vec<&str> = figures.iter().map(|figure| figure.name.name).collect();
            let mut known: Vec<&str> = names::ALL.iter().map(|name| name.name).collect();
            given.sort_unstable();
            known.sort_unstable();
            assert_eq!(given, known);
        }
        let figures = DistanceFigures::of(&panel, None).figures();
        assert_eq!(figures[0].marks, ["residuals"]);
        assert!(figures[3].marks.is_empty());
    }
}
