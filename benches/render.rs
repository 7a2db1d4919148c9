//! Throughput of the fast engine, per photosite: `cargo bench`.
//!
//! Each group sweeps one variable; the names of the first groups are those of the table in
//! DEVELOPERS.md.

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use gridbeat::optics::Diffraction;
use gridbeat::render::{Run, fast};
use gridbeat::scene::Scene;
use speed_scene::scene;
use std::time::Duration;

mod speed_scene;

fn frame(scene: &Scene) {
    let electrons =
        fast::render(scene, 0, scene.camera.crop, &Run::default()).expect("not cancelled");
    std::hint::black_box(electrons);
}

fn uhd(c: &mut Criterion) {
    let mut group = c.benchmark_group("uhd");
    group
        .sample_size(10)
        .warm_up_time(Duration::from_millis(1))
        .measurement_time(Duration::from_secs(1));
    group.throughput(Throughput::Elements(3840 * 2160));
    for (name, mode) in [
        ("off", Diffraction::Off),
        ("convolved", Diffraction::Convolved),
        ("wave", Diffraction::Wave),
    ] {
        for turned in [false, true] {
            for disc in [0.0, 20.0, 80.0] {
                let scene = scene(3840, 2160, disc, turned, mode);
                let place = if turned { "turned" } else { "straight" };
                group.bench_function(BenchmarkId::new(format!("{name} {place}"), disc), |b| {
                    b.iter(|| frame(&scene))
                });
            }
        }
    }
    group.finish();
}

criterion_group!(benches, uhd);
criterion_main!(benches);
