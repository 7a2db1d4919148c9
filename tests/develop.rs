//! Development from raw levels to a picture.

use gridbeat::colour;
use gridbeat::develop::{
    self, ColourSpace, ColourTransform, Delivery, DeliveryTransfer, Demosaic, DevelopError, Layout,
    Samples, ScaleFilter, Site,
};
use gridbeat::frame::{Electrons, Picture, Plane, RawFrame, Window};

const RGGB: [u8; 4] = [0, 1, 1, 2];
const PHASES: [(&str, [u8; 4]); 4] =
    [("RGGB", RGGB), ("BGGR", [2, 1, 1, 0]), ("GRBG", [1, 0, 2, 1]), ("GBRG", [1, 2, 0, 1])];
const METHODS: [Demosaic; 3] =
    [Demosaic::Bilinear, Demosaic::GradientCorrected, Demosaic::EdgeAware];

/// A delivery that changes nothing but the demosaic.
fn plain(demosaic: Demosaic) -> Delivery {
    Delivery {
        demosaic,
        colour_space: ColourSpace::CameraRgb,
        transfer: DeliveryTransfer::Linear,
        size: None,
        filter: ScaleFilter::Box,
        scale_in_linear_light: true,
        push_stops: 0.0,
        in_camera: None,
    }
}

fn window(x: u32, y: u32, width: u32, height: u32) -> Window {
    Window { x, y, width, height }
}

/// A mosaic of electrons from a function of sensor column, row and colour.
fn mosaic(at: Window, block: [u8; 4], value: impl Fn(u32, u32, u8) -> f32) -> Electrons {
    let mut data = Vec::new();
    for y in at.y..at.y + at.height {
        for x in at.x..at.x + at.width {
            data.push(value(x, y, block[((y & 1) * 2 + (x & 1)) as usize]));
        }
    }
    let plane = Plane { width: at.width as usize, height: at.height as usize, data };
    Electrons { window: at, planes: vec![plane] }
}

fn demosaicked(electrons: &Electrons, block: [u8; 4], method: Demosaic) -> Picture {
    let samples = Samples::from_electrons(electrons, 1.0).unwrap();
    let neutral = ColourTransform::NEUTRAL;
    develop::develop(&samples, Layout::Bayer(block), &neutral, &plain(method)).unwrap()
}

/// Values that look random, from 0 to 1, the same on every machine.
fn noise(i: u32) -> f32 {
    let mut h = i.wrapping_mul(0x9E37_79B9) ^ 0x85EB_CA6B;
    h = (h ^ (h >> 16)).wrapping_mul(0x21F0_AAAD);
    h = (h ^ (h >> 15)).wrapping_mul(0x735A_2D97);
    (h >> 8) as f32 / (1 << 24) as f32
}

/// Both linear demosaics against an independent library, borders included (see the data file).
#[test]
fn demosaic_agrees_with_an_independent_library() {
    let text = include_str!("data/demosaic_reference.csv");
    let lines: Vec<Vec<&str>> =
        text.lines().filter(|l| !l.starts_with('#')).map(|l| l.split(',').collect()).collect();
    let levels: Vec<u16> = lines
        .iter()
        .filter(|l| l[0] == "mosaic")
        .flat_map(|l| l[2..].iter().map(|v| v.parse().unwrap()))
        .collect();
    let raw = RawFrame { window: window(0, 0, 14, 12), planes: vec![levels] };
    let samples = Samples::from_raw(&raw, 0, 65535).unwrap();
    let mut checked = 0;
    for (name, method) in
        [("bilinear", Demosaic::Bilinear), ("malvar2004", Demosaic::GradientCorrected)]
    {
        for (phase, block) in PHASES {
            let neutral = ColourTransform::NEUTRAL;
            let got =
                develop::develop(&samples, Layout::Bayer(block), &neutral, &plain(method)).unwrap();
            for line in lines.iter().filter(|l| l[0] == name && l[1] == phase) {
                let (y, c): (usize, usize) = (line[2].parse().unwrap(), line[3].parse().unwrap());
                for (x, want) in line[4..].iter().enumerate() {
                    let want: f64 = want.parse().unwrap();
                    let value = f64::from(got.planes[c].at(x, y));
                    assert!(
                        (value - want).abs() <= 1e-6,
                        "{name} {phase} {c} ({x}, {y}): {value} {want}"
                    );
                    checked += 1;
                }
            }
        }
    }
    assert_eq!(checked, 2 * 4 * 3 * 14 * 12);
}

/// The table of handbook section 11, to its six decimals, and its white-noise gains.
#[test]
fn gradient_corrected_frequency_response() {
    let table = [
        (0.125, [1.103553, 1.207107, 1.103553, 1.021447, 1.082107, 1.250000]),
        (0.25, [1.0, 1.0, 1.0, 1.25, 0.75, 1.5]),
        (0.375, [0.396447, -0.207107, 0.396447, 1.728553, -0.332107, 1.25]),
        (0.5, [0.0, -1.0, 0.0, 2.0, -1.0, 1.0]),
    ];
    for (f, want) in table {
        let columns = [
            (Site::GreenAtChroma, f, 0.0),
            (Site::GreenAtChroma, f, f),
            (Site::ChromaInGreensRow, f, 0.0),
            (Site::ChromaInGreensRow, 0.0, f),
            (Site::ChromaAtChroma, f, 0.0),
            (Site::ChromaAtChroma, f, f),
        ];
        for ((site, fx, fy), want) in columns.into_iter().zip(want) {
            let got = develop::grey_response(Demosaic::GradientCorrected, site, fx, fy).unwrap();
            assert!((got - want).abs() <= 5.1e-7, "{site:?} {fx} {fy}: {got} {want}");
        }
    }
    for (site, want) in [
        (Site::GreenAtChroma, 0.75),
        (Site::ChromaInGreensRow, 0.996086),
        (Site::ChromaAcrossGreensRow, 0.996086),
        (Site::ChromaAtChroma, 0.976281),
    ] {
        let kernel = develop::kernel(Demosaic::GradientCorrected, site).unwrap();
        let gain = kernel.iter().flatten().map(|k| k * k).sum::<f64>().sqrt();
        assert!((gain - want).abs() <= 5.1e-7, "{site:?} {gain}");
    }
    assert_eq!(develop::grey_response(Demosaic::EdgeAware, Site::GreenAtChroma, 0.1, 0.1), None);
}

/// The code that runs and the kernels that are documented are the same: a grey sinusoid through the
/// demosaic keeps the amplitude and phase that the response says, at every kind of site.
#[test]
fn pixels_follow_the_documented_response() {
    let at = window(0, 0, 40, 40);
    for (fx, fy) in [(0.125, 0.0), (0.0, 0.21), (0.17, 0.33), (0.5, 0.5)] {
        let wave = |x: u32, y: u32| {
            let turns = fx * f64::from(x) + fy * f64::from(y);
            libm::cos(2.0 * std::f64::consts::PI * turns)
        };
        let electrons = mosaic(at, RGGB, |x, y, _| (0.5 + 0.25 * wave(x, y)) as f32);
        for method in [Demosaic::Bilinear, Demosaic::GradientCorrected] {
            let got = demosaicked(&electrons, RGGB, method);
            // (column, row) of a site, colour, kind: RGGB has red at (0, 0), blue at (1, 1).
            for (x, y, c, site) in [
                (20, 20, 1, Site::GreenAtChroma),
                (21, 21, 1, Site::GreenAtChroma),
                (21, 20, 0, Site::ChromaInGreensRow),
                (21, 20, 2, Site::ChromaAcrossGreensRow),
                (20, 21, 2, Site::ChromaInGreensRow),
                (20, 21, 0, Site::ChromaAcrossGreensRow),
                (20, 20, 2, Site::ChromaAtChroma),
                (21, 21, 0, Site::ChromaAtChroma),
            ] {
                let response = develop::grey_response(method, site, fx, fy).unwrap();
                let want = 0.5 + 0.25 * response * wave(x, y);
                let value = f64::from(got.planes[c].at(x as usize, y as usize));
                assert!((value - want).abs() < 5e-7, "{method:?} {site:?}: {value} {want}");
            }
        }
    }
}

/// Grey constants, and grey ramps away from the border, come through every method unchanged; a
/// photosite's own colour is never touched.
#[test]
fn constants_ramps_and_own_colours_are_kept() {
    for (_, block) in PHASES {
        for method in METHODS {
            let at = window(3, 5, 21, 18);
            let flat = demosaicked(&mosaic(at, block, |_, _, _| 0.375), block, method);
            assert!(flat.planes.iter().flat_map(|p| &p.data).all(|v| (v - 0.375).abs() < 1e-6));
            let ramp = |x: u32, y: u32| (0.01 * f64::from(x) + 0.02 * f64::from(y)) as f32;
            let got = demosaicked(&mosaic(at, block, |x, y, _| ramp(x, y)), block, method);
            for y in 3..15 {
                for x in 3..18 {
                    for plane in &got.planes {
                        let want = ramp(at.x + x as u32, at.y + y as u32);
                        assert!((plane.at(x, y) - want).abs() < 1e-6, "{method:?} {x} {y}");
                    }
                }
            }
            let random = mosaic(at, block, |x, y, _| noise(y * 1000 + x));
            let got = demosaicked(&random, block, method);
            for y in 0..18_usize {
                for x in 0..21_usize {
                    let (sx, sy) = (at.x as usize + x, at.y as usize + y);
                    let c = block[(sy & 1) * 2 + (sx & 1)];
                    let own = got.planes[usize::from(c)].at(x, y);
                    assert_eq!(own, random.planes[0].at(x, y), "{method:?} {x} {y}");
                }
            }
        }
    }
}

/// Colours of constant value stay apart for every phase and odd crop corner: a wrong phase would mix
/// them. This is the crop's use of full-sensor columns and rows.
#[test]
fn crops_keep_the_mosaic_phase() {
    for (_, block) in PHASES {
        for (x, y) in [(0, 0), (1, 0), (0, 1), (7, 9)] {
            let flat = mosaic(window(x, y, 9, 7), block, |_, _, c| [0.2, 0.5, 0.8][usize::from(c)]);
            for method in METHODS {
                let got = demosaicked(&flat, block, method);
                for (plane, want) in got.planes.iter().zip([0.2, 0.5, 0.8]) {
                    assert!(
                        plane.data.iter().all(|v| (v - want).abs() < 1e-6),
                        "{method:?} {x} {y}"
                    );
                }
            }
        }
    }
}

/// A developed crop equals the developed frame, cropped, away from the crop's border.
#[test]
fn a_crop_equals_the_cropped_picture() {
    let value = |x: u32, y: u32, _: u8| noise(y * 4099 + x);
    for method in METHODS {
        let whole = demosaicked(&mosaic(window(0, 0, 40, 80), RGGB, value), RGGB, method);
        let crop = demosaicked(&mosaic(window(5, 7, 20, 50), RGGB, value), RGGB, method);
        for c in 0..3 {
            for y in 3..47 {
                for x in 3..17 {
                    let (a, b) = (crop.planes[c].at(x, y), whole.planes[c].at(x + 5, y + 7));
                    assert_eq!(a.to_bits(), b.to_bits(), "{method:?} {x} {y}");
                }
            }
        }
    }
}

/// An upright edge between two greys: the edge-aware method keeps it sharp and grey, where bilinear
/// smears it over one photosite and colours it.
#[test]
fn edge_aware_keeps_an_upright_edge() {
    for turned in [false, true] {
        let electrons = mosaic(window(0, 0, 24, 24), RGGB, |x, y, _| {
            if (if turned { y } else { x }) < 12 { 0.1 } else { 0.9 }
        });
        let worst = |method| {
            let got = demosaicked(&electrons, RGGB, method);
            let mut worst = 0.0_f32;
            for y in 4..20 {
                for x in 4..20 {
                    for plane in &got.planes {
                        worst = worst.max((plane.at(x, y) - electrons.planes[0].at(x, y)).abs());
                    }
                }
            }
            worst
        };
        assert!(worst(Demosaic::EdgeAware) < 1e-6, "{}", worst(Demosaic::EdgeAware));
        assert!(worst(Demosaic::Bilinear) > 0.3);
    }
}

/// Levels to light: black is 0, the white level is 1, a push doubles; sRGB and BT.709 code it.
#[test]
fn levels_push_and_curve() {
    let levels = vec![256, 256 + 8064, 16384, 100];
    let raw = RawFrame { window: window(0, 0, 4, 1), planes: vec![levels] };
    let samples = Samples::from_raw(&raw, 256, 16384).unwrap();
    let mut delivery = plain(Demosaic::Bilinear);
    let run = |delivery: &Delivery| {
        develop::develop(&samples, Layout::Monochrome, &ColourTransform::NEUTRAL, delivery).unwrap()
    };
    let linear = run(&delivery);
    assert_eq!(linear.planes[1].data[..3], [0.0, 0.5, 1.0]);
    assert!(
        (linear.planes[2].data[3] + 156.0 / 16128.0).abs() < 1e-7,
        "below black stays negative"
    );
    delivery.push_stops = 1.0;
    assert_eq!(run(&delivery).planes[0].data[..3], [0.0, 1.0, 2.0]);
    delivery.push_stops = -1.0;
    delivery.transfer = DeliveryTransfer::Srgb;
    let coded = run(&delivery);
    for (got, light) in coded.planes[0].data.iter().zip([0.0, 0.25, 0.5, 0.0]) {
        assert!((f64::from(*got) - colour::srgb_encode(light)).abs() < 2e-7);
    }
    delivery.transfer = DeliveryTransfer::Bt709;
    let coded = run(&delivery);
    for (got, light) in coded.planes[0].data.iter().zip([0.0, 0.25, 0.5, 0.0]) {
        assert!((f64::from(*got) - colour::bt709_encode(light)).abs() < 2e-7);
    }
}

/// A wall at full white through a camera with overlapping filters is neutral at the level of its
/// brightest photosites, in every space; photosites at full well stay white, not tinted.
#[test]
fn wall_white_is_neutral_and_full_photosites_stay_white() {
    let e = [[900.0, 150.0, 30.0], [120.0, 1500.0, 180.0], [10.0, 160.0, 700.0]];
    let primaries = [[0.69, 0.309], [0.171, 0.712], [0.135, 0.053]];
    for space in
        [ColourSpace::Bt709, ColourSpace::Bt2020, ColourSpace::P3D65, ColourSpace::CameraRgb]
    {
        let transform = ColourTransform::from_wall(e, primaries, [0.29, 0.30], space).unwrap();
        let white = e.map(|row| row.iter().sum::<f64>());
        for (full, want) in [(2.0 * white[1], 0.5), (0.25 * white[2], 1.0)] {
            let at = window(1, 2, 16, 40);
            let electrons = mosaic(at, RGGB, |_, _, c| white[usize::from(c)].min(full) as f32);
            let samples = Samples::from_electrons(&electrons, full).unwrap();
            for method in METHODS {
                let mut delivery = plain(method);
                delivery.colour_space = space;
                let got =
                    develop::develop(&samples, Layout::Bayer(RGGB), &transform, &delivery).unwrap();
                for v in got.planes.iter().flat_map(|p| &p.data) {
                    assert!((v - want).abs() < 2e-6, "{space:?} {method:?} {v} {want}");
                }
            }
        }
    }
}

#[test]
fn full_planes_pass_through() {
    let plane =
        |k: u32| Plane { width: 5, height: 3, data: (0..15).map(|i| noise(k * 100 + i)).collect() };
    let electrons = Electrons { window: window(3, 1, 5, 3), planes: (0..3).map(plane).collect() };
    let samples = Samples::from_electrons(&electrons, 1.0).unwrap();
    let got = develop::linear_planes(&samples, Layout::FullPlanes).unwrap();
    for (a, b) in got.planes.iter().zip(&electrons.planes) {
        assert_eq!(a, b);
    }
}

/// Measuring sees what lies above white and below black.
#[test]
fn linear_planes_do_not_clip() {
    let electrons = mosaic(window(0, 0, 8, 8), RGGB, |_, _, c| [-40.0, 7e4, 3e5][usize::from(c)]);
    let samples = Samples::from_electrons(&electrons, 1.0).unwrap();
    let got = develop::linear_planes(&samples, Layout::Bayer(RGGB)).unwrap();
    for (plane, want) in got.planes.iter().zip([-40.0, 7e4, 3e5]) {
        assert!(plane.data.iter().all(|v| (v - want).abs() <= want.abs() * 1e-6));
    }
}

/// Linear light or after the curve: black-and-white lines average to ½ in light, or in signal.
#[test]
fn scaling_in_light_or_in_signal() {
    let electrons = Electrons {
        window: window(0, 0, 8, 8),
        planes: vec![Plane {
            width: 8,
            height: 8,
            data: (0..64).map(|i| (i % 2) as f32).collect(),
        }],
    };
    let samples = Samples::from_electrons(&electrons, 1.0).unwrap();
    let mut delivery = plain(Demosaic::Bilinear);
    delivery.transfer = DeliveryTransfer::Srgb;
    delivery.size = Some((4, 4));
    for (in_light, want) in [(true, colour::srgb_encode(0.5)), (false, 0.5)] {
        delivery.scale_in_linear_light = in_light;
        let got =
            develop::develop(&samples, Layout::Monochrome, &ColourTransform::NEUTRAL, &delivery)
                .unwrap();
        assert_eq!((got.width(), got.height()), (4, 4));
        for v in &got.planes[0].data {
            assert!((f64::from(*v) - want).abs() < 1e-6, "{v} {want}");
        }
    }
}

/// One, two and five threads: the same bits, for every method, with scaling and curve.
#[test]
fn bits_do_not_depend_on_threads() {
    let electrons = mosaic(window(1, 1, 131, 117), RGGB, |x, y, _| noise(y * 131 + x));
    let run = |threads: usize, method| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| {
            let samples = Samples::from_electrons(&electrons, 0.9).unwrap();
            let transform = ColourTransform::from_wall(
                [[9.0, 2.0, 1.0], [1.0, 12.0, 2.0], [0.0, 3.0, 8.0]],
                colour::BT709.primaries_xy,
                colour::D65_XY,
                ColourSpace::Bt2020,
            )
            .unwrap();
            let delivery = Delivery {
                transfer: DeliveryTransfer::Srgb,
                size: Some((77, 91)),
                filter: ScaleFilter::Lanczos3,
                ..plain(method)
            };
            develop::develop(&samples, Layout::Bayer(RGGB), &transform, &delivery).unwrap()
        })
    };
    let bits = |p: &Picture| -> Vec<u32> {
        p.planes.iter().flat_map(|p| p.data.iter().map(|v| v.to_bits())).collect()
    };
    for method in METHODS {
        let one = bits(&run(1, method));
        assert!(one.windows(2).any(|w| w[0] != w[1]));
        for threads in [2, 5] {
            assert!(bits(&run(threads, method)) == one, "{method:?} on {threads} threads");
        }
    }
}

/// Every refusal, with the words a person gets.
#[test]
fn refusals_have_words() {
    let raw = RawFrame { window: window(0, 0, 4, 4), planes: vec![vec![0; 16]] };
    let said = |r: Result<Samples, DevelopError>| r.unwrap_err().to_string();
    assert_eq!(
        said(Samples::from_raw(&raw, 64, 64)),
        "the white level 64 must be above the black level 64"
    );
    let short = RawFrame { window: window(0, 0, 4, 4), planes: vec![vec![0; 15]] };
    assert_eq!(
        said(Samples::from_raw(&short, 0, 1)),
        "a plane of 4 × 4 photosites must hold as many samples, not 15"
    );
    let electrons = mosaic(window(0, 0, 4, 1), RGGB, |_, _, _| 1.0);
    assert_eq!(
        said(Samples::from_electrons(&electrons, f64::NAN)),
        "white must be a positive number of electrons, not NaN"
    );
    let samples = Samples::from_electrons(&electrons, 1.0).unwrap();
    let run = |layout, delivery: &Delivery| {
        develop::develop(&samples, layout, &ColourTransform::NEUTRAL, delivery)
            .unwrap_err()
            .to_string()
    };
    let delivery = plain(Demosaic::Bilinear);
    assert_eq!(
        run(Layout::Bayer(RGGB), &delivery),
        "a crop of 4 × 1 photosites does not hold every colour: 2 × 2 is the smallest"
    );
    assert_eq!(
        run(Layout::FullPlanes, &delivery),
        "this colour layout has 3 plane(s), the frame 1"
    );
    assert!(
        run(Layout::Bayer([0, 0, 1, 2]), &delivery).starts_with("the mosaic [0, 0, 1, 2] is not")
    );
    let huge = Delivery { size: Some((0, 70_000)), ..delivery };
    assert_eq!(
        run(Layout::Monochrome, &huge),
        "a picture of 0 × 70000 cannot be made: each side must be 1 to 65536"
    );
}
