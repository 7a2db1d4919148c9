//! The delivery transfer curve, tabulated: twenty-five million powers a frame would take a second.

use crate::colour;

use super::DeliveryTransfer;

/// Steps of the table. With straight lines between, both curves are met within 2e-7, but for the one
/// step around the split where the printed constants do not quite meet.
const STEPS: usize = 1 << 16;

/// Linear light → signal.
pub(super) enum Curve {
    /// Linear: nothing changes and nothing is clipped.
    Linear,
    /// Signal at `i / STEPS`; light outside [0, 1] is clipped, as any file of such a signal does.
    Table(Vec<f32>),
}

impl Curve {
    pub(super) fn new(transfer: DeliveryTransfer) -> Self {
        let encode = match transfer {
            DeliveryTransfer::Linear => return Self::Linear,
            DeliveryTransfer::Srgb => colour::srgb_encode,
            DeliveryTransfer::Bt709 => colour::bt709_encode,
        };
        Self::Table((0..=STEPS).map(|i| encode(i as f64 / STEPS as f64) as f32).collect())
    }

    /// Encodes a run of values in place. NaN becomes 0.
    pub(super) fn encode(&self, values: &mut [f32]) {
        let Self::Table(table) = self else { return };
        for value in values {
            // Not `clamp`, which would let NaN through.
            let light = if *value > 0.0 { value.min(1.0) } else { 0.0 };
            let place = light * STEPS as f32;
            let i = (place as usize).min(STEPS - 1);
            let share = place - i as f32;
            *value = table[i] + (table[i + 1] - table[i]) * share;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn table_is_the_curve() {
        for (transfer, exact) in [
            (DeliveryTransfer::Srgb, colour::srgb_encode as fn(f64) -> f64),
            (DeliveryTransfer::Bt709, colour::bt709_encode),
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
                    _ => 2e-7,
                };
                let off = (f64::from(value[0]) - exact(f64::from(light))).abs();
                assert!(off <= bound, "{transfer:?} {light}: {off}");
            }
            let mut odd = [-0.5, 1.5, f32::NAN, f32::INFINITY];
            curve.encode(&mut odd);
            assert_eq!(odd, [0.0, 1.0, 0.0, 1.0]);
        }
        let mut kept = [-0.5, 1.5];
        Curve::new(DeliveryTransfer::Linear).encode(&mut kept);
        assert_eq!(kept, [-0.5, 1.5]);
    }
}
