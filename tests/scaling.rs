//! Scaling, and the pictures to look at.

use gridbeat::develop::{self, DevelopError, ScaleFilter};
use gridbeat::frame::{Picture, Plane};

const FILTERS: [ScaleFilter; 4] =
    [ScaleFilter::Box, ScaleFilter::Bilinear, ScaleFilter::Cubic, ScaleFilter::Lanczos3];

/// Values that look random, from 0 to 1, the same on every machine.
fn noise(i: u32) -> f32 {
    let mut h = i.wrapping_mul(0x9E37_79B9) ^ 0x85EB_CA6B;
    h = (h ^ (h >> 16)).wrapping_mul(0x21F0_AAAD);
    h = (h ^ (h >> 15)).wrapping_mul(0x735A_2D97);
    (h >> 8) as f32 / (1 << 24) as f32
}

fn picture(width: usize, height: usize, value: impl Fn(usize, usize) -> f32) -> Picture {
    let data: Vec<f32> = (0..width * height).map(|i| value(i % width, i / width)).collect();
    Picture { planes: [0; 3].map(|_| Plane { width, height, data: data.clone() }) }
}

#[test]
fn scaling_keeps_constants() {
    let flat = picture(37, 23, |_, _| 0.625);
    for filter in FILTERS {
        for size in [(37, 23), (12, 8), (11, 50), (80, 5), (1, 1), (74, 46)] {
            let got = develop::scale(&flat, size, filter).unwrap();
            assert_eq!((got.width(), got.height()), size);
            for v in &got.planes[2].data {
                assert!((v - 0.625).abs() < 1e-6, "{filter:?} {size:?} {v}");
            }
        }
    }
}

#[test]
fn box_scaling_is_the_mean() {
    let random = picture(24, 18, |x, y| noise((y * 24 + x) as u32));
    let got = develop::scale(&random, (6, 6), ScaleFilter::Box).unwrap();
    for y in 0..6 {
        for x in 0..6 {
            let mut sum = 0.0;
            for j in 0..3 {
                for i in 0..4 {
                    sum += f64::from(random.planes[0].at(4 * x + i, 3 * y + j));
                }
            }
            assert!((f64::from(got.planes[0].at(x, y)) - sum / 12.0).abs() < 1e-6);
        }
    }
    // Not a whole number of photosites a pixel: 3 → 2 weighs the middle one by halves.
    let line = picture(3, 1, |x, _| [0.0, 0.5, 2.0][x]);
    let got = develop::scale(&line, (2, 1), ScaleFilter::Box).unwrap();
    assert!((got.planes[0].data[0] - 0.25 / 1.5).abs() < 1e-6);
    assert!((got.planes[0].data[1] - 2.25 / 1.5).abs() < 1e-6);
}

/// Same size: every filter interpolates, so nothing changes.
#[test]
fn scaling_to_the_same_size_changes_nothing() {
    let random = picture(13, 11, |x, y| noise((y * 13 + x) as u32));
    for filter in FILTERS {
        assert_eq!(develop::scale(&random, (13, 11), filter).unwrap(), random, "{filter:?}");
    }
}

/// Gain of a sinusoid when a line shrinks by a whole number n, from the closed-form transform of each
/// filter's samples: box sin(πfn)/(n·sin πf); triangle, its square, at odd n; the cubic and the windowed
/// sinc by their defining sums over (k + ½ for even n)/n, with formulas written out again here.
#[test]
fn scaling_follows_its_transfer_function() {
    let pi = std::f64::consts::PI;
    let sinc = |t: f64| if t == 0.0 { 1.0 } else { libm::sin(pi * t) / (pi * t) };
    let keys = |t: f64| {
        let t = t.abs();
        if t < 1.0 {
            1.5 * t * t * t - 2.5 * t * t + 1.0
        } else if t < 2.0 {
            -0.5 * t * t * t + 2.5 * t * t - 4.0 * t + 2.0
        } else {
            0.0
        }
    };
    let lanczos = |t: f64| if t.abs() < 3.0 { sinc(t) * sinc(t / 3.0) } else { 0.0 };
    for n in [2_usize, 3, 5] {
        for f in [0.01, 0.07, 0.15, 0.3] {
            let nf = n as f64;
            let of = |shape: &dyn Fn(f64) -> f64| {
                let (mut sum, mut all) = (0.0, 0.0);
                for k in -40..40 {
                    let at = f64::from(k) + if n % 2 == 0 { 0.5 } else { 0.0 };
                    let w = shape(at / nf);
                    sum += w * libm::cos(2.0 * pi * f * at);
                    all += w;
                }
                sum / all
            };
            let dirichlet = libm::sin(pi * f * nf) / (nf * libm::sin(pi * f));
            for filter in FILTERS {
                let want = match filter {
                    ScaleFilter::Box => dirichlet,
                    ScaleFilter::Bilinear if n % 2 == 1 => dirichlet * dirichlet,
                    ScaleFilter::Bilinear => of(&|t| (1.0 - t.abs()).max(0.0)),
                    ScaleFilter::Cubic => of(&keys),
                    ScaleFilter::Lanczos3 => of(&lanczos),
                };
                // A wave centred on output sample 20, so that it reads the cosine's peak.
                let centre = 20.5 * nf - 0.5;
                let wave = |x: usize| libm::cos(2.0 * pi * f * (x as f64 - centre));
                let line = picture(40 * n, 1, |x, _| wave(x) as f32);
                let got = develop::scale(&line, (40, 1), filter).unwrap();
                let value = f64::from(got.planes[0].data[20]);
                assert!((value - want).abs() < 1e-6, "{filter:?} 1/{n} f {f}: {value} {want}");
                // The same down a column.
                let column = picture(1, 40 * n, |_, y| wave(y) as f32);
                let got = develop::scale(&column, (1, 40), filter).unwrap();
                assert!((f64::from(got.planes[0].data[20]) - want).abs() < 1e-6);
            }
        }
    }
}

#[test]
fn preview_crops_repeat_photosites() {
    let random = picture(10, 8, |x, y| noise((y * 10 + x) as u32));
    let got = develop::preview_crop(&random, (3, 2), (4, 5), 3).unwrap();
    assert_eq!((got.width(), got.height()), (12, 15));
    for y in 0..15 {
        for x in 0..12 {
            assert_eq!(got.planes[1].at(x, y), random.planes[1].at(3 + x / 3, 2 + y / 3));
        }
    }
    for (corner, size) in
        [((7, 0), (4, 1)), ((0, 8), (1, 1)), ((0, 0), (0, 1)), ((u32::MAX, 0), (2, 2))]
    {
        let refused = develop::preview_crop(&random, corner, size, 2);
        assert!(matches!(refused, Err(DevelopError::Crop { .. })), "{corner:?} {size:?}");
    }
    assert!(matches!(
        develop::preview_crop(&random, (0, 0), (10, 8), u32::MAX),
        Err(DevelopError::Delivery(..))
    ));
}

/// An overview keeps the picture's shape, fits, and carries its words in white on black below.
#[test]
fn overviews_say_that_they_are_not_for_judging() {
    for (from, fit) in [((800, 450), (200, 200)), ((450, 800), (300, 120)), ((50, 40), (400, 400))]
    {
        let grey = picture(from.0, from.1, |_, _| 0.5);
        let got = develop::overview(&grey, fit.0, fit.1).unwrap();
        assert!(
            got.width() <= fit.0 as usize && got.height() <= fit.1 as usize,
            "{from:?} {fit:?}"
        );
        let plane = &got.planes[0];
        let rows = (0..got.height()).take_while(|&y| plane.at(0, y) != 0.0).count();
        let columns = plane.row(0).iter().take_while(|v| **v != 0.0).count();
        let shape = (columns as f64 / rows as f64) / (from.0 as f64 / from.1 as f64);
        assert!((shape - 1.0).abs() < 0.03, "{columns} × {rows} of {from:?}");
        let strip = &plane.data[rows * got.width()..];
        assert!(strip.iter().all(|v| *v == 0.0 || *v == 1.0));
        let ink = strip.iter().filter(|v| **v == 1.0).count();
        assert!(ink > 200, "{ink}");
    }
    // The scale is in the words: another scale, other ink.
    let strip = |width: usize| {
        let got = develop::overview(&picture(width, 300, |_, _| 0.5), 150, 150).unwrap();
        let at = got.width() * (got.height() - 9);
        got.planes[0].data[at..].to_vec()
    };
    assert_ne!(strip(600), strip(900));
    assert!(develop::overview(&picture(9, 9, |_, _| 0.5), 20, 20).is_err());
}
