//! Every blur of a camera together, as transfer functions on the sensor in cycles per photosite.

use super::transfer;
use super::wave::{self, WaveTable};
use super::{Diffraction, FrontLowPass, Iris, Lens, LowPass};
use crate::math::special::{cos_pi, jinc, jinc_bend, sinc};
use crate::math::table::Table;
use glam::DVec2;
use std::f64::consts::PI;
use std::sync::{Arc, OnceLock};

/// Highest frequency that the tables of photosite, low-pass and aberration hold, cycles per photosite;
/// beyond it they count as zero (a photosite passes less than 0.5 % there).
const HIGHEST: f64 = 64.0;

/// 0 for narrow discs, 1 for wide ones, photosites, and a slope between.
fn wide(disc: f64) -> f64 {
    ((disc.abs() - 16.0) / 8.0).clamp(0.0, 1.0)
}

/// The blurs of one camera and lens. Lengths in photosites.
#[derive(Debug, Clone)]
pub struct Blur {
    /// Side of the photosite's aperture.
    pub aperture: f64,
    /// Side of a square through which the pupil's light is taken to come, 0 for none ([`Blur::through_square`]).
    pub square: f64,
    /// Separation of the low-pass filter's spots at the sensor, across and upright.
    pub low_pass: DVec2,
    /// The same of the low-pass filter in front of the lens.
    pub front_low_pass: DVec2,
    /// σ of the aberration blur.
    pub sigma: f64,
    /// Width over height of a blur disc.
    aspect: f64,
    iris: Iris,
    diffraction: Diffraction,
    /// Working f-number over photosite pitch, per metre: ν = |f|·λ·this.
    nu_per_cycle_m: f64,
    /// Photosite, low-pass filters and aberration along an axis, made when first asked for.
    across: OnceLock<Table>,
    upright: OnceLock<Table>,
    disc: Arc<Table>,
    disc_bend: Arc<Table>,
    mtf: Arc<Table>,
    wave: Option<Arc<WaveTable>>,
    /// X from which on the wave's approximation is used.
    most_x: f64,
    /// [`transfer::overlap_shape`] over ν; for oval discs.
    overlap: Option<Table>,
}

impl Blur {
    /// Blurs of a lens, low-pass filters at the sensor and in front of the lens, and photosites of a pitch and fill factor.
    ///
    /// `widest_disc` is the largest blur disc that will be asked for, photosites; `shortest_m` the
    /// shortest wavelength. They size the tables.
    pub fn new(
        lens: &Lens,
        (low_pass, front): (Option<&LowPass>, Option<&FrontLowPass>),
        photosite_m: f64,
        fill_factor: f64,
        widest_disc: f64,
        shortest_m: f64,
    ) -> Self {
        let sensor = (photosite_m, fill_factor, 0.0);
        Self::made(lens, (low_pass, front), sensor, widest_disc, shortest_m)
    }

    /// The blur of a piece of the pupil whose image on the wall is a square of a side in photosites, without waves.
    pub fn through_square(
        lens: &Lens,
        filters: (Option<&LowPass>, Option<&FrontLowPass>),
        photosite_m: f64,
        fill_factor: f64,
        square: f64,
    ) -> Self {
        let lens = Lens { diffraction: Diffraction::Off, ..lens.clone() };
        Self::made(&lens, filters, (photosite_m, fill_factor, square), 0.0, f64::INFINITY)
    }

    fn made(
        lens: &Lens,
        (low_pass, front): (Option<&LowPass>, Option<&FrontLowPass>),
        (photosite_m, fill_factor, square): (f64, f64, f64),
        widest_disc: f64,
        shortest_m: f64,
    ) -> Self {
        let aperture = fill_factor.sqrt();
        let spots = |l: &LowPass| DVec2::new(l.across_m, l.upright_m) / photosite_m;
        let separation = low_pass.map_or(DVec2::ZERO, spots);
        let in_front = front.map_or(DVec2::ZERO, |f| spots(&f.at_sensor(lens)));
        let sigma = lens.aberration_m / photosite_m;
        static DISC: OnceLock<Arc<Table>> = OnceLock::new();
        static BEND: OnceLock<Arc<Table>> = OnceLock::new();
        static MTF: OnceLock<Arc<Table>> = OnceLock::new();
        let disc = DISC.get_or_init(|| Arc::new(Table::new(2000.0, 0.02, jinc)));
        let disc_bend = BEND.get_or_init(|| Arc::new(Table::new(2000.0, 0.02, jinc_bend)));
        let mtf =
            MTF.get_or_init(|| Arc::new(Table::new(1.0, 1.0 / 4096.0, transfer::diffraction)));
        let wave = (lens.diffraction == Diffraction::Wave && lens.iris == Iris::Round).then(|| {
            // X = 8π·W20·ν(1 − ν) is at most 2π·W20, with W20 = c/(8·N_w·λ).
            let w20 = widest_disc * photosite_m / (8.0 * lens.working_f_number() * shortest_m);
            WaveTable::shared(2.0 * PI * w20)
        });
        Self {
            aperture,
            square,
            low_pass: separation,
            front_low_pass: in_front,
            sigma,
            aspect: lens.blur_aspect(),
            iris: lens.iris,
            diffraction: lens.diffraction,
            nu_per_cycle_m: lens.working_f_number() / photosite_m,
            across: OnceLock::new(),
            upright: OnceLock::new(),
            disc: disc.clone(),
            disc_bend: disc_bend.clone(),
            mtf: mtf.clone(),
            wave,
            most_x: wave::MOST_X,
            overlap: (lens.squeeze != 1.0)
                .then(|| Table::new(1.0, 1.0 / 512.0, transfer::overlap_shape)),
        }
    }

    /// The same, for few frequencies: quick to make, and good to 3e-4.
    pub fn for_few(
        lens: &Lens,
        filters: (Option<&LowPass>, Option<&FrontLowPass>),
        photosite_m: f64,
        fill_factor: f64,
    ) -> Self {
        // A plain lens needs no table of its wave; it gets the common one.
        let plain = Lens { diffraction: Diffraction::Off, ..lens.clone() };
        let blur = Self::new(&plain, filters, photosite_m, fill_factor, 0.0, 1.0);
        let is_wave = lens.diffraction == Diffraction::Wave && lens.iris == Iris::Round;
        Self {
            diffraction: lens.diffraction,
            wave: is_wave.then(WaveTable::few),
            most_x: wave::FEW_X,
            ..blur
        }
    }

    /// Photosite aperture, low-pass filters and aberration together, at a frequency in cycles per photosite.
    #[inline]
    pub fn sensor(&self, f: DVec2) -> f32 {
        let table = |axis: usize| {
            let of = |f| self.along(axis, f) * transfer::gaussian(f, self.sigma);
            Table::new(HIGHEST, 1.0 / 512.0, of)
        };
        self.across.get_or_init(|| table(0)).at(f.x.abs())
            * self.upright.get_or_init(|| table(1)).at(f.y.abs())
    }

    /// [`Self::sensor`] without its tables, for few frequencies.
    pub fn sensor_exact(&self, f: DVec2) -> f64 {
        let sharp = if self.sigma > 0.0 { transfer::gaussian(f.length(), self.sigma) } else { 1.0 };
        sharp * self.along(0, f.x) * self.along(1, f.y)
    }

    /// No less than [`Self::sensor_exact`] is of itself, in the logarithm by aberration and as a factor by the photosite's aperture.
    pub(crate) fn sensor_at_most(&self, f: DVec2) -> (f64, f64) {
        let sharp = -2.0 * PI * PI * self.sigma * self.sigma * f.length_squared();
        // |sinc x| ≤ 1/(π·|x|).
        let wide = f.abs() * (PI * self.aperture);
        (sharp, 1.0 / (wide.x.max(1.0) * wide.y.max(1.0)))
    }

    /// What apertures and low-pass filters leave along an axis.
    fn along(&self, axis: usize, f: f64) -> f64 {
        let box_of = |width: f64| if width == 0.0 { 1.0 } else { sinc(f * width) };
        let split = |apart: f64| if apart == 0.0 { 1.0 } else { cos_pi(f * apart) };
        box_of(self.aperture)
            * box_of(self.square)
            * split(self.low_pass[axis])
            * split(self.front_low_pass[axis])
    }

    /// The frequency at which a round blur disc has the transfer of this one, which a squeeze makes narrower.
    #[inline]
    fn unsqueezed(&self, f: DVec2) -> DVec2 {
        DVec2::new(f.x * self.aspect, f.y)
    }

    /// |f|·(1 − ν) of a round pupil, for a wave through an oval disc: the path error along the shift of the pupil as it is,
    /// that across weighed so that the transfer holds to the second order.
    #[inline]
    fn path_error(&self, f: DVec2, on_disc: DVec2, nu: f64) -> f64 {
        let Some(across) = &self.overlap else { return f.length() * (1.0 - nu) };
        let along = on_disc.dot(f.normalize_or_zero()) * (1.0 - nu);
        let aside = on_disc.perp_dot(f.normalize_or_zero());
        (along * along + aside * aside * f64::from(across.at(nu))).sqrt()
    }

    /// Width over height of a blur disc: below 1 behind an anamorphic lens.
    pub fn aspect(&self) -> f64 {
        self.aspect
    }

    /// Defocus and diffraction together, at a frequency in cycles per photosite (right, down), for
    /// a signed blur disc in photosites and a wavelength in metres: real and imaginary part.
    ///
    /// A bladed, defocused pupil (`wave`) has no table and is computed for every frequency: slow, exact. An anamorphic lens's
    /// disc is oval: a wave through a round iris is then exact across and upright, between them at most 0.025 off at a squeeze
    /// of 2 and 0.016 at 1.33 (measured over path errors of 0.2 to 10 waves).
    #[inline]
    pub fn pupil(&self, f: DVec2, disc: f64, wavelength_m: f64) -> (f32, f32) {
        let length = f.length();
        let nu = length * wavelength_m * self.nu_per_cycle_m;
        let on_disc = self.unsqueezed(f);
        if let Some(wave) = &self.wave {
            if nu >= 1.0 {
                return (0.0, 0.0);
            }
            // π·c·f equals 8π·W20·ν (physics of a defocused pupil), so X = π·c·f·(1 − ν).
            let x = PI * disc.abs() * self.path_error(f, on_disc, nu);
            if x > self.most_x {
                return (transfer::wide_defocus_envelope(nu) as f32 * self.disc.at(x), 0.0);
            }
            return (wave.at(nu, x), 0.0);
        }
        let mtf = match self.diffraction {
            Diffraction::Off => 1.0,
            Diffraction::Convolved => self.mtf.at(nu),
            Diffraction::Wave => {
                let Iris::Bladed { blades, rotation_rad } = self.iris else { return (0.0, 0.0) };
                let to_nu = wavelength_m * self.nu_per_cycle_m;
                // W20 = c/(8·N_w), in waves; c in photosites and N_w over the photosite pitch.
                let waves = disc / (8.0 * to_nu);
                let (re, im) = transfer::defocus_wave_oval(
                    (f.x * to_nu, -f.y * to_nu),
                    (waves * self.aspect, waves),
                    (blades, rotation_rad),
                );
                return (re as f32, im as f32);
            }
        };
        if mtf == 0.0 {
            return (0.0, 0.0);
        }
        match self.iris {
            Iris::Round => (self.disc.at(PI * disc.abs() * on_disc.length()) * mtf, 0.0),
            Iris::Bladed { blades, rotation_rad } => {
                // The polygon is given with y up.
                let (x, y) = (on_disc.x, -on_disc.y);
                let (re, im) = transfer::defocus_polygon(x, y, disc, blades, rotation_rad);
                (re as f32 * mtf, im as f32 * mtf)
            }
        }
    }

    /// No less than the size of [`Self::pupil`] at any wavelength up to `longest_m`: 1.8·X^(−3/2) and what tables are off by, X being π
    /// times the blur disc and the frequency, times 1 − ν with `wave`. (2·J₁(X)/X is at most 1.66·X^(−3/2); that the defocused pupil's
    /// transfer is no more than 1.8 is held by a test.)
    pub(super) fn pupil_at_most(&self, f: DVec2, disc: f64, longest_m: f64) -> f64 {
        if self.iris != Iris::Round {
            return 1.0;
        }
        let on_disc = self.unsqueezed(f);
        let path = if self.wave.is_some() {
            let nu = f.length() * longest_m * self.nu_per_cycle_m;
            if nu >= 1.0 {
                return 1.0;
            }
            self.path_error(f, on_disc, nu)
        } else {
            on_disc.length()
        };
        let x = PI * disc.abs() * path;
        if x < 2.0 { 1.0 } else { (1.8 / (x * x.sqrt()) + 4e-4).min(1.0) }
    }

    /// [`Self::pupil`] of a round iris as a table over the length of the frequency vector, up to `end` cycles per photosite,
    /// for places with one blur disc and wavelength: straight lines, error below 1e-4. `None` for a bladed iris and for an anamorphic lens.
    pub fn pupil_table(&self, disc: f64, wavelength_m: f64, end: f64) -> Option<Table> {
        if self.iris != Iris::Round || self.aspect != 1.0 {
            return None;
        }
        // The disc's transform turns by π·c·f; 0.05² / 8 · 1/4 is 8e-5.
        let step = (0.05 / (PI * disc.abs())).min(1.0 / 512.0);
        Some(Table::new(end, step, |f| {
            f64::from(self.pupil(DVec2::new(f, 0.0), disc, wavelength_m).0)
        }))
    }

    /// What a wall askew adds to [`Self::pupil`], its imaginary part, for the view from the photosite: over the pupil
    /// the shift M·q/(1 + b·q) ≈ M·q·(1 − b·q) instead of M·q, to the first order in the skew `b` (right, down).
    ///
    /// The transform of q_i·q_j over a round pupil is −∂_i∂_j of its transform jinc(|κ|), κ = π·c·f, which leaves
    /// −(b·κ)·jinc″(|κ|). Diffraction is put on top by its transfer function in focus, also for `wave`: exact where the
    /// disc is wide, where the skew counts. Wide discs and bladed irises are moved instead ([`Self::skew_shift`]).
    #[inline]
    pub fn skew(&self, f: DVec2, disc: f64, b: DVec2, wavelength_m: f64) -> f32 {
        self.skew_of_bend(self.skew_bend(f, disc, b), f, wavelength_m)
    }

    /// [`Self::skew`] without diffraction.
    #[inline]
    pub(super) fn skew_bend(&self, f: DVec2, disc: f64, b: DVec2) -> f32 {
        let on_disc = self.unsqueezed(f);
        let turn = PI * disc * b.dot(on_disc) * (1.0 - wide(disc));
        if turn == 0.0 || self.iris != Iris::Round {
            return 0.0;
        }
        -turn as f32 * self.disc_bend.at(PI * disc.abs() * on_disc.length())
    }

    /// [`Self::skew`] from [`Self::skew_bend`].
    #[inline]
    pub(super) fn skew_of_bend(&self, bend: f32, f: DVec2, wavelength_m: f64) -> f32 {
        match self.diffraction {
            _ if bend == 0.0 => 0.0,
            Diffraction::Off => bend,
            _ => bend * self.mtf.at(f.length() * wavelength_m * self.nu_per_cycle_m),
        }
    }

    /// Shift of a blur disc by the skew `b` as a share of the disc, where it is not treated whole.
    ///
    /// The edge of a round disc moves by −b·c/2 as a whole; the light inside leans by 1 + 3·b·q, under 1 % where the
    /// disc is wide, which is left out. A bladed iris's blur moves with its middle, −⟨q·(b·q)⟩·c/2, where ⟨q_i²⟩ of a
    /// regular polygon is the same along all axes.
    #[inline]
    pub fn skew_shift(&self, disc: f64, b: DVec2) -> DVec2 {
        let shift = match self.iris {
            Iris::Round => b * (-0.5 * wide(disc)),
            Iris::Bladed { blades, .. } => {
                // Polar second moment over area of a regular polygon in the unit circle: (2 + cos 2π/n)/6, half of it an axis.
                let n = f64::from(blades.max(3));
                b * (-(2.0 + libm::cos(2.0 * PI / n)) / 24.0)
            }
        };
        self.unsqueezed(shift)
    }

    /// True when [`Self::pupil`] depends on the wavelength.
    pub fn is_chromatic(&self) -> bool {
        self.diffraction != Diffraction::Off
    }

    /// How soft aberration and diffraction make an edge: σ of about as wide a Gaussian, photosites. An Airy pattern's core is
    /// one of σ ≈ 0.42·λN (from memory).
    pub fn softness(&self, wavelength_m: f64) -> f64 {
        let airy = match self.diffraction {
            Diffraction::Off => 0.0,
            _ => 0.42 * wavelength_m * self.nu_per_cycle_m,
        };
        libm::hypot(self.sigma, airy)
    }

    /// Radius, photosites, around a pupil point's image outside of which the share `outside` of a diffraction pattern
    /// of a wavelength lies: 1 − E(r) ≈ 2λN/(π²r) (Born & Wolf, §8.5.2, mean of the asymptotic form; from memory).
    pub fn diffraction_radius(&self, wavelength_m: f64, outside: f64) -> f64 {
        match self.diffraction {
            Diffraction::Off => 0.0,
            _ => 2.0 * wavelength_m * self.nu_per_cycle_m / (PI * PI * outside),
        }
    }
}
