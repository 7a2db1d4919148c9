//! Shutters that may be written on a card: clean by the table of shutters, and clean by the verdict of the whole picture too.
//!
//! The table ([`crate::predict::shutters`]) judges the middle of the picture and leaves out what bands do together with the wall's
//! lattice; the verdict has that in, with all that the set may be off by. A card promises only what both do.

use crate::artefact::{Degree, Kind};
use crate::predict::shutters::Shutters;
use crate::predict::unknowns::severity;
use crate::predict::{Settings, verdict};
use crate::scene::Scene;
use crate::units::{number, percent, shutter, stops};

/// How far a shutter or the refresh may be off, as shares that are tried, the least first.
const OFF: [f64; 8] = [0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1];
/// Clean shutters that are looked at more closely.
const MOST: usize = 4;

/// A setting of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct Checked {
    /// As the camera has it.
    pub written: String,
    /// Exposure, seconds.
    pub exposure_s: f64,
    /// The same as a shutter angle, degrees.
    pub shutter_angle_deg: f64,
    /// Light against the planned setting, stops.
    pub stops: f64,
    /// It is the planned one.
    pub present: bool,
    /// Flicker and bands of the wall at worst, by the verdict.
    pub wall: Degree,
    /// Clean by the table, other lamps included, and by the verdict.
    pub clean: bool,
    /// How far the exposure may be off either way, the largest share that was tried and all below it; `None` where even the least is too
    /// much, or where it was not tried.
    pub within_share: Option<f64>,
}

/// Flicker and bands of a scene at another exposure. Pictures of the wall that the camera tears are another matter, told under genlock.
fn degree(scene: &Scene, exposure_s: f64) -> Degree {
    let mut scene = Scene { moving: None, ..scene.clone() };
    scene.camera.exposure_s = exposure_s;
    let found = verdict(&scene, &Settings::full());
    let of = |kind| found.degree(kind, false);
    let both = [of(Kind::Flicker), of(Kind::Bands)];
    both.into_iter().max_by_key(|d| severity(*d)).unwrap_or(Degree::CannotSay)
}

/// The settings of the table, judged again; in its order.
pub(super) fn checked(scene: &Scene, shutters: &Shutters) -> Vec<Checked> {
    let mut all: Vec<Checked> = shutters
        .table
        .iter()
        .map(|s| {
            let wall = degree(scene, s.exposure_s);
            Checked {
                written: s.written.clone(),
                exposure_s: s.exposure_s,
                shutter_angle_deg: s.shutter_angle_deg,
                stops: s.stops,
                present: s.present,
                wall,
                clean: s.all_clean && wall == Degree::Clean,
                within_share: None,
            }
        })
        .collect();
    for i in nearest_clean(&all) {
        all[i].within_share = within(scene, all[i].exposure_s);
    }
    all
}

/// Numbers of the clean ones, those nearest to the planned light first.
fn nearest_clean(all: &[Checked]) -> Vec<usize> {
    let mut clean: Vec<usize> = (0..all.len()).filter(|i| all[*i].clean).collect();
    clean.sort_by(|a, b| all[*a].stops.abs().total_cmp(&all[*b].stops.abs()));
    clean.truncate(MOST);
    clean
}

/// The clean ones that are nearest to the planned light.
pub(super) fn nearest(all: &[Checked]) -> Vec<&Checked> {
    nearest_clean(all).into_iter().map(|i| &all[i]).collect()
}

fn within(scene: &Scene, exposure_s: f64) -> Option<f64> {
    let longest_s = 1.0 / scene.camera.fps;
    let holds = |share: f64| {
        [1.0 - share, 1.0 + share].into_iter().all(|by| {
            let other_s = exposure_s * by;
            other_s > longest_s || degree(scene, other_s) == Degree::Clean
        })
    };
    OFF.into_iter().take_while(|share| holds(*share)).last()
}

impl Checked {
    /// In a few words.
    pub fn words(&self) -> String {
        let angle = format!("{}°", number(self.shutter_angle_deg));
        let mut ways = Vec::new();
        // Both ways in which a camera may have it.
        if self.written != angle {
            ways.push(angle);
        } else {
            ways.push(shutter(self.exposure_s));
        }
        if !self.present {
            ways.push(stops(self.stops));
        }
        ways.push(match self.within_share {
            Some(share) if share >= OFF[OFF.len() - 1] => {
                format!("still clean {} off", percent(share))
            }
            Some(share) => format!("keep it within ± {}", percent(share)),
            None => format!("not even ± {} off", percent(OFF[0])),
        });
        format!("{} ({})", self.written, ways.join(", "))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::predict::shutters::shutters;
    use crate::scene::{NoPictures, parse};

    /// A wall that lights its rows by turns, a little out of focus.
    const SCENE: &str = "\
wall: {pixel_pitch_mm: 1.953, size_px: [512, 256]}
drive: {kind: scanned, refresh_hz: 1920, scan: 16}
lens: {focal_mm: 24, f_number: 2.8, focus: {distance_m: 2.8}}
placement: {distance_m: 3.84}
camera: {photosites: [960, 540], photosite_pitch_um: 6, shutter_speed: 1/1250, readout: {rolling: {readout_ms: 3}}}
";

    #[test]
    fn a_card_holds_no_shutter_that_the_verdict_refuses() {
        let scene = parse(SCENE, "bands", &NoPictures).unwrap_or_else(|e| panic!("{e:?}"));
        let table = shutters(&scene);
        let all = checked(&scene, &table);
        assert_eq!(all.len(), table.table.len());
        let mut refused = 0;
        for (checked, row) in all.iter().zip(&table.table) {
            let mut other = scene.clone();
            other.camera.exposure_s = row.exposure_s;
            let found = verdict(&other, &Settings::full());
            let bands = found.degree(Kind::Bands, false) == Degree::Clean;
            let flicker = found.degree(Kind::Flicker, false) == Degree::Clean;
            assert_eq!(checked.clean, row.all_clean && bands && flicker, "{}", row.written);
            refused += u32::from(row.all_clean && !checked.clean);
        }
        // The table and the verdict agree here; the table's own levels are fewer, so that they need not.
        assert_eq!(refused, 0, "{all:?}");
        assert!(all.iter().any(|c| c.clean) && all.iter().any(|c| !c.clean), "{all:?}");
        // Two whole refreshes: 1/960 s.
        let clean = nearest(&all);
        assert!(clean.iter().any(|c| (c.exposure_s * 960.0 - 1.0).abs() < 1e-9), "{clean:?}");
        for c in clean {
            if let Some(share) = c.within_share {
                for by in [1.0 - share, 1.0 + share] {
                    assert_eq!(
                        degree(&scene, c.exposure_s * by),
                        Degree::Clean,
                        "{} {by}",
                        c.written
                    );
                }
            }
        }
    }
}
