//! Speed of prediction: the whole answer, and the verdict alone, over seeded scenes.

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use gridbeat::predict::{Settings, predict, verdict};
use gridbeat::scene::{self, NoPictures, Scene};
use rayon::prelude::*;
use std::hint::black_box;

/// Numbers without pattern (splitmix64: Steele, Lea and Flood 2014).
struct Dice(u64);

impl Dice {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        low + (high - low) * ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// Scenes as people plan them: a wall of 1.5 to 4 mm, scanned or split, 3 to 8 m away, in or out of focus, a third of them oblique.
fn scenes(count: usize) -> Vec<Scene> {
    let mut dice = Dice(7);
    let mut made = Vec::new();
    while made.len() < count {
        let i = made.len();
        let pan = if i % 3 == 0 { dice.between(-30.0, 30.0) } else { 0.0 };
        let drive = if i % 2 == 0 {
            "{kind: scanned, refresh_hz: 3840, scan: 16}"
        } else {
            "{kind: {split: {order: even}}, refresh_hz: 3840, scan: 16}"
        };
        let distance = dice.between(3.0, 8.0);
        let text = format!(
            "wall: {{pixel_pitch_mm: {}, cabinets: [6, 4], cabinet_px: [160, 160]}}\n\
             drive: {drive}\n\
             content: {{solid: {{light_percent: 30}}}}\n\
             lens: {{focal_mm: {}, f_number: {}, focus: {{distance_m: {}}}}}\n\
             camera: {{frame_rate_fps: 25, shutter_speed: 1/{}}}\n\
             placement: {{distance_m: {distance}, pan_deg: {pan}}}\n",
            dice.between(1.5, 4.0),
            dice.between(24.0, 85.0),
            dice.between(1.8, 8.0),
            dice.between(0.5 * distance, distance),
            dice.between(40.0, 200.0),
        );
        made.extend(scene::parse(&text, "bench", &NoPictures));
    }
    made
}

fn benches(c: &mut Criterion) {
    let scenes = scenes(64);
    let mut group = c.benchmark_group("predict");
    group.sample_size(10);
    group.throughput(Throughput::Elements(scenes.len() as u64));
    for (name, settings) in [("whole answer", Settings::full()), ("verdict", Settings::quick())] {
        group.bench_function(name, |b| {
            b.iter_batched(
                || (),
                |()| {
                    for scene in &scenes {
                        match name {
                            "verdict" => black_box(verdict(scene, &settings)),
                            _ => black_box(predict(scene, &settings)),
                        };
                    }
                },
                BatchSize::PerIteration,
            );
        });
    }
    group.bench_function("verdict, two threads", |b| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(2).build();
        let settings = Settings::quick();
        b.iter(|| {
            let all = || scenes.par_iter().for_each(|s| drop(black_box(verdict(s, &settings))));
            match &pool {
                Ok(pool) => pool.install(all),
                Err(_) => all(),
            }
        });
    });
    group.finish();
}

criterion_group!(predictions, benches);
criterion_main!(predictions);
