//! Throughput of the fast engine, per photosite: `cargo bench`.
//!
//! Each group sweeps one variable, each line of a group is one setting of the engine: together they are
//! the tables of DEVELOPERS.md, which are printed at the end. `cargo bench -- blur` measures one group.

use criterion::measurement::WallTime;
use criterion::{BenchmarkGroup, BenchmarkId, Criterion, Throughput, criterion_group};
use gridbeat::optics::Diffraction;
use gridbeat::render::{Run, fast};
use gridbeat::scene::{Moving, Scene};
use gridbeat::wall::drive::{DriveKind, SplitOrder};
use rayon::{ThreadPool, ThreadPoolBuilder};
use speed_scene::{Shot, scene};
use std::sync::Arc;
use std::time::Duration;

mod speed_scene;
mod tables;

/// The lines of the groups that look straight at the wall.
const LINES: [(&str, Diffraction); 2] = [("off", Diffraction::Off), ("wave", Diffraction::Wave)];

/// A common shot; the groups vary it.
const SHOT: Shot = Shot {
    photosites: [1920, 1080],
    pitch: 1.4,
    disc: 20.0,
    turned: false,
    diffraction: Diffraction::Off,
};

/// The shot whose frames come in sequence.
const SMALL: Shot = Shot { photosites: [960, 540], ..SHOT };

fn frame(scene: &Scene, number: u32) {
    let electrons =
        fast::render(scene, number, scene.camera.crop, &Run::default()).expect("not cancelled");
    std::hint::black_box(electrons);
}

/// A group whose frames take long: as few of them as there can be.
fn group<'a>(c: &'a mut Criterion, name: &str) -> BenchmarkGroup<'a, WallTime> {
    let mut group = c.benchmark_group(name);
    group
        .sample_size(10)
        .warm_up_time(Duration::from_millis(1))
        .measurement_time(Duration::from_secs(1));
    group
}

/// Measures some frames of a shot, from the first on, in sequence, on the threads of a pool (or on all).
fn measure(
    group: &mut BenchmarkGroup<WallTime>,
    id: BenchmarkId,
    shot: Shot,
    frames: u32,
    pool: Option<&ThreadPool>,
) {
    let [columns, rows] = shot.photosites.map(u64::from);
    group.throughput(Throughput::Elements(u64::from(frames) * columns * rows));
    // A scene takes time to make, and many are filtered out.
    let mut made = None;
    group.bench_function(id, |b| {
        let scene: &Scene = made.get_or_insert_with(|| scene(shot));
        let run = || (0..frames).for_each(|number| frame(scene, number));
        b.iter(|| match pool {
            Some(pool) => pool.install(run),
            None => run(),
        });
    });
}

fn uhd(c: &mut Criterion) {
    let mut group = group(c, "uhd");
    for (name, diffraction) in [
        ("off", Diffraction::Off),
        ("convolved", Diffraction::Convolved),
        ("wave", Diffraction::Wave),
    ] {
        for (place, turned) in [("straight", false), ("turned", true)] {
            for disc in [0.0, 20.0, 80.0] {
                let shot = Shot { photosites: [3840, 2160], disc, turned, diffraction, ..SHOT };
                let id = BenchmarkId::new(format!("{name} {place}"), disc);
                measure(&mut group, id, shot, 1, None);
            }
        }
    }
    group.finish();
}

fn photosites(c: &mut Criterion) {
    let mut group = group(c, "photosites");
    for (name, diffraction) in LINES {
        for photosites in [[960, 540], [1920, 1080], [3840, 2160]] {
            let id = BenchmarkId::new(name, format!("{}x{}", photosites[0], photosites[1]));
            measure(&mut group, id, Shot { photosites, diffraction, ..SHOT }, 1, None);
        }
    }
    group.finish();
}

/// Wall pixels on the same photosites: their number goes with the inverse square of the pitch.
fn emitters(c: &mut Criterion) {
    let mut group = group(c, "emitters");
    for (name, diffraction) in LINES {
        for pitch in [0.7, 1.0, 1.4, 2.8, 5.6] {
            let id = BenchmarkId::new(name, pitch);
            measure(&mut group, id, Shot { pitch, diffraction, ..SHOT }, 1, None);
        }
    }
    group.finish();
}

fn blur(c: &mut Criterion) {
    let mut group = group(c, "blur");
    for (name, diffraction) in LINES {
        for disc in [0.0, 5.0, 10.0, 20.0, 40.0, 80.0] {
            let id = BenchmarkId::new(name, disc);
            measure(&mut group, id, Shot { disc, diffraction, ..SHOT }, 1, None);
        }
    }
    group.finish();
}

fn threads(c: &mut Criterion) {
    let mut group = group(c, "threads");
    let mut counts = vec![1, 2, rayon::current_num_threads()];
    counts.sort_unstable();
    counts.dedup();
    for (name, diffraction) in LINES {
        for &count in &counts {
            let pool = ThreadPoolBuilder::new().num_threads(count).build().expect("threads");
            let id = BenchmarkId::new(name, count);
            measure(&mut group, id, Shot { diffraction, ..SHOT }, 1, Some(&pool));
        }
    }
    group.finish();
}

fn frames(c: &mut Criterion) {
    let mut group = group(c, "frames");
    for (name, diffraction) in LINES {
        for frames in [1, 2, 4] {
            let id = BenchmarkId::new(name, frames);
            measure(&mut group, id, Shot { diffraction, ..SMALL }, frames, None);
        }
    }
    group.finish();
}

/// A line of the group of sequences: a name, how its scene differs, and numbers of frames.
type SequenceLine = (&'static str, fn(&mut Scene), &'static [u32]);

/// A UHD camera that stands still, with what is kept between frames: the light of the wall repeats from frame to frame, or
/// drifts against the camera, with several drives, or every frame has a picture of its own.
fn sequence(c: &mut Criterion) {
    const LINES: [SequenceLine; 5] = [
        ("repeats", |s| s.drive.clock.drift = 0.0, &[1, 2, 48]),
        ("drifts", |_| (), &[1, 2, 4, 48]),
        ("all rows at once", |s| (s.drive.kind, s.drive.scan) = (DriveKind::Pwm, 1), &[1, 4]),
        (
            "split",
            |s| s.drive.kind = DriveKind::Split { bits: 14, order: SplitOrder::Even },
            &[1, 4],
        ),
        ("pictures", pictures, &[1, 4]),
    ];
    let mut group = group(c, "sequence");
    for (name, change, counts) in LINES {
        for &frames in counts {
            let shot = Shot { photosites: [3840, 2160], ..SHOT };
            let [columns, rows] = shot.photosites.map(u64::from);
            group.throughput(Throughput::Elements(u64::from(frames) * columns * rows));
            let mut made = None;
            group.bench_function(BenchmarkId::new(name, frames), |b| {
                let scene: &Scene = made.get_or_insert_with(|| {
                    let mut scene = scene(shot);
                    scene.drive.clock.drift = 37e-6;
                    change(&mut scene);
                    scene
                });
                b.iter(|| {
                    let sequence =
                        fast::Sequence::keeping(scene, scene.camera.crop, 0..=frames - 1);
                    for number in 0..frames {
                        let electrons = sequence.frame(number, &Run::default());
                        std::hint::black_box(electrons.expect("not cancelled"));
                    }
                });
            });
        }
    }
    group.finish();
}

/// Shows a new picture 24 times a second: the content, moved on.
fn pictures(scene: &mut Scene) {
    let first = scene.content.clone();
    let make = move |number: u32| {
        let mut picture = (*first).clone();
        let on = 977 * number as usize;
        picture.codes.iter_mut().for_each(|codes| codes.rotate_left(on));
        Ok(picture)
    };
    let rates = (24.0, scene.drive.video_hz);
    scene.moving = Some(Arc::new(Moving::new("####".into(), rates, 1000, true, Box::new(make))));
}

criterion_group! {
    name = benches;
    config = Criterion::default().output_directory(&tables::folder());
    targets = uhd, photosites, emitters, blur, threads, frames, sequence
}

fn main() {
    let start = std::time::SystemTime::now();
    benches();
    Criterion::default().configure_from_args().final_summary();
    tables::print_since(start);
}
