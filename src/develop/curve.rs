//! The delivery transfer curve, tabulated: twenty-five million powers a frame would take a second.

use crate::colour;

use super::DeliveryTransfer;

/// Steps of the table. With straight lines between, the curves are met within 2e-7, but for the one
/// step around the split where the printed constants do not quite meet.
const STEPS: usize = 1 << 16;

/// Light up to which the hybrid log-gamma is a square root, too steep at 0 for any table.
const ROOT: f32 = 1.0 / 12.0;

/// Linear light → signal.
pub(super) enum Curve {
    /// Linear: nothing changes and nothing is clipped.
    Linear,
    /// Signal at `i / STEPS`; light outside [0, 1] is clipped, as any file of such a signal does.
    Table(Vec<f32>),
    /// A square root up to [`ROOT`], then the table; clipped in the same way.
    Hybrid(Vec<f32>),
    /// The table for light from 0 to 1; beyond, where a logarithm still has room, the curve itself.
    Log(Vec<f32>),
}

impl Curve {
    pub(super) fn new(transfer: DeliveryTransfer) -> Self {
        let table = |encode: fn(f64) -> f64| -> Vec<f32> {
            (0..=STEPS).map(|i| encode(i as f64 / STEPS as f64) as f32).collect()
        };
        match transfer {
            DeliveryTransfer::Linear => Self::Linear,
            DeliveryTransfer::Srgb => Self::Table(table(colour::srgb_encode)),
            DeliveryTransfer::Bt709 => Self::Table(table(colour::bt709_encode)),
            DeliveryTransfer::HybridLogGamma => {
                Self::Hybrid(table(colour::hybrid_log_gamma_encode))
            }
            DeliveryTransfer::AcesCct => Self::Log(table(colour::acescct_encode)),
        }
    }

    /// Encodes a run of values in place. NaN becomes the signal of black.
    pub(super) fn encode(&self, values: &mut [f32]) {
        match self {
            Self::Linear => {}
            Self::Table(table) => {
                for value in values {
                    *value = looked_up(table, clipped(*value));
                }
            }
            Self::Hybrid(table) => {
                for value in values {
                    let light = clipped(*value);
                    *value =
                        if light <= ROOT { (3.0 * light).sqrt() } else { looked_up(table, light) };
                }
            }
            Self::Log(table) => {
                for value in values {
                    let inside = (0.0..=1.0).contains(value) || value.is_nan();
                    *value = if inside {
                        looked_up(table, clipped(*value))
                    } else {
                        colour::acescct_encode(f64::from(*value)) as f32
                    };
                }
            }
        }
    }
}

/// Light between 0 and 1; NaN is 0. Not `clamp`, which would let NaN through.
fn clipped(light: f32) -> f32 {
    if light > 0.0 { light.min(1.0) } else { 0.0 }
}

fn looked_up(table: &[f32], light: f32) -> f32 {
    let place = light * STEPS as f32;
    let i = (place as usize).min(STEPS - 1);
    let share = place - i as f32;
    table[i] + (table[i + 1] - table[i]) * share
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn table_is_the_curve() {
        for (transfer, exact) in [
            (DeliveryTransfer::Srgb, colour::srgb_encode as fn(f64) -> f64),
            (DeliveryTransfer::Bt709, colour::bt709_encode),
            (DeliveryTransfer::HybridLogGamma, colour::hybrid_log_gamma_encode),
            (DeliveryTransfer::AcesCct, colour::acescct_encode),
        ] {
            let curve = Curve::new(transfer);
            for i in 0..=200_000 {
                let light = (f64::from(i) / 200_000.0) as f32;
                let mut value = [light];
                curve.encode(&mut value);
                // The printed constants leave a step at the split, which the table makes a ramp one
                // step wide: 2.5e-4 in BT.709 at 0.018, under 1e-6 in sRGB at 0.0031308.
                let at_split = |split: f32| (light - split).abs() < 2e-5;
                let bound = match transfer {
                    DeliveryTransfer::Bt709 if at_split(0.018) => 2.6e-4,
                    DeliveryTransfer::Srgb if at_split(0.0031308) => 1e-6,
                    // Light as f32 alone moves the steep root by that much.
                    DeliveryTransfer::HybridLogGamma => 3e-7,
                    _ => 2e-7,
                };
                let off = (f64::from(value[0]) - exact(f64::from(light))).abs();
                assert!(off <= bound, "{transfer:?} {light}: {off}");
            }
            if transfer == DeliveryTransfer::AcesCct {
                continue;
            }
            let mut odd = [-0.5, 1.5, f32::NAN, f32::INFINITY];
            curve.encode(&mut odd);
            assert!(
                odd.iter()
                    .zip([0.0, 1.0, 0.0, 1.0])
                    .all(|(a, b): (&f32, f32)| (a - b).abs() < 1e-7)
            );
        }
        // A logarithm has room above white and a little below black.
        let mut odd = [-0.005, 8.0, f32::NAN];
        Curve::new(DeliveryTransfer::AcesCct).encode(&mut odd);
        for (got, light) in odd.iter().zip([-0.005_f32, 8.0, 0.0]) {
            let want = colour::acescct_encode(f64::from(light));
            assert!((f64::from(*got) - want).abs() < 1e-7, "{light}: {got}");
        }
        let mut kept = [-0.5, 1.5];
        Curve::new(DeliveryTransfer::Linear).encode(&mut kept);
        assert_eq!(kept, [-0.5, 1.5]);
    }
}
