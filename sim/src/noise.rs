//! Random numbers that depend on the seed, the stream and the moment alone, so that a run repeats
//! whatever order or speed its probes are polled in.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A source of repeatable noise.
#[derive(Debug, Clone)]
pub struct Noise {
    seed: u64,
}

impl Noise {
    /// All noise of one run.
    pub const fn new(seed: u64) -> Self {
        Self { seed }
    }

    /// Number of a stream by name: FNV-1a, 64 bits.
    pub fn stream(name: &str) -> u64 {
        name.bytes()
            .fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3))
    }

    /// Two numbers in (0, 1] for one slot of one stream.
    fn pair(&self, stream: u64, slot: i64) -> (f64, f64) {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed);
        rng.set_stream(stream);
        // Four 32-bit words make the two numbers; slots before 1970 wrap, which is as good a place.
        rng.set_word_pos(u128::from(slot.cast_unsigned()) * 4);
        let unit = |bits: u64| ((bits >> 11) + 1) as f64 / (1_u64 << 53) as f64;
        (unit(rng.next_u64()), unit(rng.next_u64()))
    }

    /// A number in (0, 1] for one slot of one stream.
    pub fn unit(&self, stream: u64, slot: i64) -> f64 {
        self.pair(stream, slot).0
    }

    /// A standard normal number for one slot of one stream (Box and Muller).
    pub fn gaussian(&self, stream: u64, slot: i64) -> f64 {
        let (u, v) = self.pair(stream, slot);
        (-2.0 * u.ln()).sqrt() * (core::f64::consts::TAU * v).cos()
    }

    /// A smooth wander about 0 with a standard deviation near 0.8: normal numbers at knots `every_ms`
    /// apart, eased from one to the next.
    pub fn wander(&self, stream: u64, at_ms: i64, every_ms: i64) -> f64 {
        let knot = at_ms.div_euclid(every_ms);
        let x = at_ms.rem_euclid(every_ms) as f64 / every_ms as f64;
        let eased = x * x * (3.0 - 2.0 * x);
        let (a, b) = (self.gaussian(stream, knot), self.gaussian(stream, knot + 1));
        a + (b - a) * eased
    }
}

#[cfg(test)]
mod tests {
    use super::Noise;

    #[test]
    fn noise_is_standard_normal_and_streams_do_not_repeat_each_other() {
        let noise = Noise::new(7);
        let (a, b) = (Noise::stream("a"), Noise::stream("b"));
        let n = 20_000;
        let draws: Vec<f64> = (0..n).map(|slot| noise.gaussian(a, slot)).collect();
        let mean = draws.iter().sum::<f64>() / n as f64;
        let variance = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n as f64;
        // Four standard errors: 4/√n for the mean, 4·√(2/n) for the variance.
        assert!(mean.abs() < 0.0283, "mean {mean}");
        assert!((variance - 1.0).abs() < 0.04, "variance {variance}");
        let covariance: f64 =
            (0..n).map(|slot| draws[slot as usize] * noise.gaussian(b, slot)).sum::<f64>() / n as f64;
        assert!(covariance.abs() < 0.0283, "covariance {covariance}");
    }

    #[test]
    fn the_same_seed_gives_the_same_noise_in_any_order() {
        let noise = Noise::new(11);
        let forward: Vec<f64> = (-50..50).map(|slot| noise.gaussian(3, slot)).collect();
        let mut backward: Vec<f64> = (-50..50).rev().map(|slot| noise.gaussian(3, slot)).collect();
        backward.reverse();
        assert_eq!(forward, backward);
        assert_ne!(noise.gaussian(3, 0), Noise::new(12).gaussian(3, 0));
    }
}
