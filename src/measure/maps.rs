//! What the lattice and the drive add to a frame: 1 + M + B = captured / ideal.

use super::field::Field;
use crate::artefact::LUMA;
use crate::frame::Plane;
use rayon::prelude::*;

/// Planes that do not fit together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum MapsError {
    /// Another number of planes, or of pixels.
    #[error(
        "the frames have {0:?} and {1:?} (planes, columns, rows): a captured frame and its twins must be of one size"
    )]
    Size((usize, usize, usize), (usize, usize, usize)),
    /// Luma needs three planes.
    #[error("deviations in light and colour need three planes, not {0}")]
    Planes(usize),
}

/// A frame and its twins in linear light, noise-free or not, as planes of one size: one of a mosaic, three of a picture.
#[derive(Debug, Clone, Copy)]
pub struct Trio<'a> {
    /// The frame as recorded.
    pub captured: &'a [Plane],
    /// The same wall held steady at its mean light.
    pub lattice: &'a [Plane],
    /// Neither lattice nor drive.
    pub ideal: &'a [Plane],
    /// Where ratios mean something (outlines, seams and clipping are for the caller to know), row by row.
    pub given: &'a [bool],
    /// Light of the wall's full white in the unit of the planes; ratios are given from 1 % of it.
    pub white: f64,
}

/// Least light for a ratio, as a share of white.
pub const LEAST_SHARE_OF_WHITE: f64 = 0.01;

/// Moiré and bands of every pixel and plane, over that plane's own ideal; not a number where no ratio is given.
#[derive(Debug, Clone, PartialEq)]
pub struct Maps {
    /// M = (lattice − ideal) / ideal: moiré and resolved emitters.
    pub moire: Vec<Plane>,
    /// B = (captured − lattice) / ideal: bands and flicker.
    pub bands: Vec<Plane>,
}

/// Size of planes: how many, columns, rows.
fn size(planes: &[Plane]) -> (usize, usize, usize) {
    planes.first().map_or((0, 0, 0), |p| (planes.len(), p.width, p.height))
}

impl Trio<'_> {
    fn check(&self) -> Result<(), MapsError> {
        let own = size(self.ideal);
        for other in [self.captured, self.lattice] {
            if size(other) != own {
                return Err(MapsError::Size(own, size(other)));
            }
        }
        let whole =
            |p: &Plane| p.data.len() == own.1 * own.2 && (p.width, p.height) == (own.1, own.2);
        let all = [self.captured, self.lattice, self.ideal];
        if self.given.len() != own.1 * own.2 || !all.iter().all(|planes| planes.iter().all(whole)) {
            return Err(MapsError::Size(own, (own.0, self.given.len(), 1)));
        }
        Ok(())
    }

    /// Ratios plane by plane: of a mosaic each photosite against its own.
    ///
    /// # Errors
    /// Planes of other sizes.
    pub fn maps(&self) -> Result<Maps, MapsError> {
        self.check()?;
        let least = (LEAST_SHARE_OF_WHITE * self.white) as f32;
        let of = |top: &[Plane], under: &[Plane]| -> Vec<Plane> {
            let one = |((top, under), ideal): ((&Plane, &Plane), &Plane)| {
                let mut out = Plane::filled(ideal.width, ideal.height, f32::NAN);
                let step = ideal.width.max(1);
                out.data.par_chunks_mut(step).enumerate().for_each(|(y, out)| {
                    let at = y * step..y * step + out.len();
                    let rows = top.data[at.clone()].iter().zip(&under.data[at.clone()]);
                    let rows = rows.zip(&ideal.data[at.clone()]).zip(&self.given[at]);
                    for (out, (((top, under), ideal), given)) in out.iter_mut().zip(rows) {
                        if *given && *ideal >= least && *ideal > 0.0 {
                            *out =
                                ((f64::from(*top) - f64::from(*under)) / f64::from(*ideal)) as f32;
                        }
                    }
                });
                out
            };
            top.iter().zip(under).zip(self.ideal).map(one).collect()
        };
        Ok(Maps { moire: of(self.lattice, self.ideal), bands: of(self.captured, self.lattice) })
    }

    /// Deviations over the ideal's luma, for waves: of moiré, and of bands. Given where the ideal's luma is at least 1 % of white.
    ///
    /// # Errors
    /// Planes of other sizes, or not three of them.
    pub fn fields(&self) -> Result<[Field; 2], MapsError> {
        self.check()?;
        Ok([
            over_luma(self.lattice, self.ideal, self)?,
            over_luma(self.captured, self.lattice, self)?,
        ])
    }

    /// Captured over ideal, less 1, plane by plane: for looking at. A plane of less than 1 % of white is held against luma.
    ///
    /// # Errors
    /// As [`Self::fields`].
    pub fn ratio_field(&self) -> Result<Field, MapsError> {
        let mut field = self.whole_field()?;
        let least = (LEAST_SHARE_OF_WHITE * self.white) as f32;
        for ((out, captured), ideal) in field.planes.iter_mut().zip(self.captured).zip(self.ideal) {
            let pairs = captured.data.par_iter().zip(&ideal.data);
            out.data.par_iter_mut().zip(pairs).for_each(|(out, (captured, ideal))| {
                if out.is_finite() && *ideal >= least {
                    *out = captured / ideal - 1.0;
                }
            });
        }
        Ok(field)
    }

    /// Everything together, captured less ideal, over the ideal's luma.
    ///
    /// # Errors
    /// As [`Self::fields`].
    pub fn whole_field(&self) -> Result<Field, MapsError> {
        self.check()?;
        over_luma(self.captured, self.ideal, self)
    }
}

/// (top − under) / luma of the ideal.
fn over_luma(top: &[Plane], under: &[Plane], trio: &Trio<'_>) -> Result<Field, MapsError> {
    let ([tr, tg, tb], [ur, ug, ub], [ir, ig, ib]) = (top, under, trio.ideal) else {
        return Err(MapsError::Planes(trio.ideal.len()));
    };
    let least = LEAST_SHARE_OF_WHITE * trio.white;
    let (width, height) = (ir.width, ir.height);
    let mut planes = [0; 3].map(|_| Plane::filled(width, height, f32::NAN));
    let step = width.max(1);
    let [r, g, b] = &mut planes;
    let rows = r
        .data
        .par_chunks_mut(step)
        .zip(g.data.par_chunks_mut(step))
        .zip(b.data.par_chunks_mut(step));
    rows.enumerate().for_each(|(y, ((r, g), b))| {
        for x in 0..r.len() {
            let i = y * step + x;
            let at = |p: &Plane| f64::from(p.data[i]);
            let luma = at(ir) * LUMA[0] + at(ig) * LUMA[1] + at(ib) * LUMA[2];
            if trio.given[i] && luma >= least && luma > 0.0 {
                r[x] = ((at(tr) - at(ur)) / luma) as f32;
                g[x] = ((at(tg) - at(ug)) / luma) as f32;
                b[x] = ((at(tb) - at(ub)) / luma) as f32;
            }
        }
    });
    Ok(Field { planes })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plane(data: &[f32]) -> Plane {
        Plane { width: 2, height: 2, data: data.to_vec() }
    }

    /// By hand: ideal 10, lattice 12, captured 9 is M = 0.2, B = −0.3; the sum is captured / ideal.
    #[test]
    fn ratios_add_up() {
        let ideal = [plane(&[10.0, 10.0, 0.5, 10.0])];
        let lattice = [plane(&[12.0, 8.0, 1.0, 10.0])];
        let captured = [plane(&[9.0, 8.0, 1.0, 11.0])];
        let given = [true, true, true, false];
        let trio = Trio {
            captured: &captured,
            lattice: &lattice,
            ideal: &ideal,
            given: &given,
            white: 100.0,
        };
        let maps = trio.maps().expect("one size");
        assert!((maps.moire[0].data[0] - 0.2).abs() < 1e-7);
        assert!((maps.bands[0].data[0] + 0.3).abs() < 1e-7);
        assert_eq!((maps.moire[0].data[1], maps.bands[0].data[1]), (-0.2, 0.0));
        // Too dark, and not given.
        assert!(maps.moire[0].data[2].is_nan() && maps.bands[0].data[3].is_nan());
        assert_eq!(trio.fields().unwrap_err(), MapsError::Planes(1));
        let two = [ideal[0].clone(), ideal[0].clone()];
        let wrong = Trio { captured: &two, ..trio };
        assert!(wrong.maps().is_err());
    }

    #[test]
    fn deviations_are_over_the_luma() {
        let ideal = [plane(&[10.0; 4]), plane(&[20.0; 4]), plane(&[0.0; 4])];
        let lattice = [plane(&[11.0; 4]), plane(&[20.0; 4]), plane(&[1.0; 4])];
        let luma = 10.0 * 0.2126 + 20.0 * 0.7152;
        let trio = Trio {
            captured: &ideal,
            lattice: &lattice,
            ideal: &ideal,
            given: &[true; 4],
            white: 100.0,
        };
        let [moire, bands] = trio.fields().expect("three planes");
        for (field, sign) in [(&moire, 1.0), (&bands, -1.0)] {
            for (plane, want) in field.planes.iter().zip([1.0, 0.0, 1.0]) {
                assert!((f64::from(plane.data[3]) - sign * want / luma).abs() < 1e-7);
            }
        }
        assert!(trio.whole_field().expect("three").planes.iter().all(|p| p.data[0] == 0.0));
        let swapped = Trio { captured: &lattice, ..trio };
        let ratio = swapped.ratio_field().expect("three planes");
        assert!((ratio.planes[0].data[1] - 0.1).abs() < 1e-6 && ratio.planes[1].data[1] == 0.0);
        // Blue's ideal is black: it is held against the luma.
        assert!((f64::from(ratio.planes[2].data[1]) - 1.0 / luma).abs() < 1e-7);
    }
}
