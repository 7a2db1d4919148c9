//! Values that run through given points over time.

/// A value over time that runs through given points, and stays what it is before the first and after the last.
#[derive(Debug, Clone, PartialEq)]
pub struct Track {
    points: Vec<(f64, f64)>,
    /// Slope at each point; empty for straight lines.
    slopes: Vec<f64>,
}

impl Track {
    /// Straight lines between points `(time, value)`; times rise from point to point, and there is at least one point.
    pub fn linear(points: Vec<(f64, f64)>) -> Self {
        Self { points, slopes: Vec::new() }
    }

    /// A curve with a steady slope that is flat at its ends and at every turning point and never overshoots: piecewise cubic
    /// Hermite, with the weighted harmonic mean of the neighbouring slopes at inner points (F. N. Fritsch, J. Butland, "A
    /// method for constructing local monotone piecewise cubic interpolants", SIAM J. Sci. Stat. Comput. 5, 1984). Between
    /// two points it is 3s² − 2s³ of the way.
    pub fn smooth(points: Vec<(f64, f64)>) -> Self {
        let step = |i: usize| {
            let ((t0, v0), (t1, v1)) = (points[i], points[i + 1]);
            (t1 - t0, (v1 - v0) / (t1 - t0))
        };
        let slopes = (0..points.len())
            .map(|i| {
                if i == 0 || i + 1 == points.len() {
                    return 0.0;
                }
                let ((h0, d0), (h1, d1)) = (step(i - 1), step(i));
                if d0 * d1 <= 0.0 {
                    return 0.0;
                }
                let (w0, w1) = (2.0 * h1 + h0, h1 + 2.0 * h0);
                (w0 + w1) / (w0 / d0 + w1 / d1)
            })
            .collect();
        Self { points, slopes }
    }

    /// The points it runs through.
    pub fn points(&self) -> &[(f64, f64)] {
        &self.points
    }

    /// The value at a time; not a number without points.
    pub fn at(&self, time: f64) -> f64 {
        let next = self.points.partition_point(|(t, _)| *t <= time);
        let (Some(&(t0, v0)), Some(&(t1, v1))) =
            (next.checked_sub(1).and_then(|i| self.points.get(i)), self.points.get(next))
        else {
            let end = if next == 0 { self.points.first() } else { self.points.last() };
            return end.map_or(f64::NAN, |(_, value)| *value);
        };
        let length = t1 - t0;
        let s = (time - t0) / length;
        let (Some(m0), Some(m1)) = (self.slopes.get(next - 1), self.slopes.get(next)) else {
            return v0 + (v1 - v0) * s;
        };
        let r = 1.0 - s;
        let bend = length * s * r * (m0 * r - m1 * s);
        v0 + (v1 - v0) * (s * s * (3.0 - 2.0 * s)) + bend
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_points_are_eased_and_the_ends_hold() {
        let track = Track::smooth(vec![(2.0, 10.0), (6.0, 30.0)]);
        for (time, value) in
            [(0.0, 10.0), (2.0, 10.0), (3.0, 13.125), (4.0, 20.0), (6.0, 30.0), (9.0, 30.0)]
        {
            // 3s² − 2s³ at ¼ is 5/32: 10 + 20 · 5/32.
            assert!((track.at(time) - value).abs() < 1e-12, "{time}: {}", track.at(time));
        }
        let straight = Track::linear(vec![(2.0, 10.0), (6.0, 30.0)]);
        assert_eq!([1.0, 3.0, 7.0].map(|t| straight.at(t)), [10.0, 15.0, 30.0]);
    }

    #[test]
    fn a_curve_runs_on_through_its_points_and_never_overshoots() {
        // Even points on a line: in the middle the curve has the line's slope.
        let track = Track::smooth(vec![(0.0, 0.0), (1.0, 1.0), (2.0, 2.0), (3.0, 3.0)]);
        assert!((track.at(1.5) - 1.5).abs() < 1e-12);
        assert!((track.at(1.25) - 1.25).abs() < 1e-12);
        let track = Track::smooth(vec![(0.0, 0.0), (1.0, 0.1), (2.0, 5.0), (4.0, 5.0), (5.0, 3.0)]);
        let values: Vec<f64> = (0..=500).map(|i| track.at(f64::from(i) / 100.0)).collect();
        assert!(values[..200].windows(2).all(|w| w[1] >= w[0]), "rises");
        assert!(values[200..400].iter().all(|v| (*v - 5.0).abs() < 1e-12), "holds");
        assert!(values[400..].windows(2).all(|w| w[1] <= w[0]), "falls");
    }
}
