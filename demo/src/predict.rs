//! Predictors and Rice codes of FLAC: one channel of one block becomes a subframe (RFC 9639 §9.2).

use crate::bits::BitWriter;

/// Bits of a coefficient, with its sign.
const PRECISION: u32 = 14;

/// Orders of the linear predictor that are tried.
const ORDERS: [usize; 3] = [4, 8, 12];

/// Greatest number of partitions, as a power of two.
const MOST_PARTITIONS: u32 = 6;

/// A predictor: the next sample is Σ coefficient · sample before, shifted right.
#[derive(Clone)]
struct Predictor {
    coefficients: Vec<i64>,
    shift: u32,
    fixed: bool,
}

enum Content {
    Constant(i32),
    Predicted { predictor: Predictor, warm_up: Vec<i32>, residual: Vec<i32>, rice: Rice },
}

/// One channel of one block, ready to be written.
pub(crate) struct Subframe {
    content: Content,
    depth: u32,
}

/// Rice parameters, one a partition, and what they cost.
struct Rice {
    order: u32,
    parameters: Vec<u32>,
    bits: u64,
}

/// The smallest subframe for samples of `depth` bits.
pub(crate) fn best(samples: &[i32], depth: u32) -> Subframe {
    if samples.iter().all(|&sample| sample == samples[0]) {
        return Subframe { content: Content::Constant(samples[0]), depth };
    }
    let fixed = [&[][..], &[1], &[2, -1], &[3, -3, 1], &[4, -6, 4, -1]];
    let fixed = fixed.map(|coefficients: &[i64]| Predictor {
        coefficients: coefficients.to_vec(),
        shift: 0,
        fixed: true,
    });
    let candidates = fixed.into_iter().chain(linear(samples)).filter_map(|predictor| {
        let residual = predictor.residual(samples)?;
        Some((predictor, residual))
    });
    // The size of the residual tells the predictors apart well enough; only the best one is coded.
    let size = |residual: &[i32]| residual.iter().map(|r| u64::from(r.unsigned_abs())).sum::<u64>();
    let (predictor, residual) =
        candidates.min_by_key(|(_, residual)| size(residual)).expect("order 0 always fits");
    let order = predictor.coefficients.len();
    let rice = Rice::best(&residual, order, samples.len());
    Subframe {
        content: Content::Predicted { predictor, warm_up: samples[..order].to_vec(), residual, rice },
        depth,
    }
}

impl Predictor {
    /// What the predictor misses; `None` where it cannot be used.
    fn residual(&self, samples: &[i32]) -> Option<Vec<i32>> {
        let order = self.coefficients.len();
        if order >= samples.len() {
            return None;
        }
        let missed = (order..samples.len()).map(|n| {
            let past = samples[n - order..n].iter().rev();
            let sum: i64 = self.coefficients.iter().zip(past).map(|(c, &x)| c * i64::from(x)).sum();
            // The format forbids residuals outside 32 bits, §9.2.7.3.
            i32::try_from(i64::from(samples[n]) - (sum >> self.shift)).ok().filter(|r| *r != i32::MIN)
        });
        missed.collect()
    }
}

/// Linear predictors by autocorrelation and the Levinson-Durbin recursion.
fn linear(samples: &[i32]) -> Vec<Predictor> {
    let most = ORDERS[ORDERS.len() - 1];
    if samples.len() <= 2 * most {
        return Vec::new();
    }
    let length = samples.len() as f64;
    let windowed: Vec<f64> = samples
        .iter()
        .enumerate()
        .map(|(n, &x)| f64::from(x) * (1.0 - (2.0 * (n as f64 + 0.5) / length - 1.0).powi(4)))
        .collect();
    let lagged = |lag: usize| windowed.iter().zip(&windowed[lag..]).map(|(a, b)| a * b).sum::<f64>();
    let correlation: Vec<f64> = (0..=most).map(lagged).collect();
    let mut error = correlation[0] * (1.0 + 1e-9);
    let mut weights: Vec<f64> = Vec::new();
    let mut found = Vec::new();
    for order in 1..=most {
        let known: f64 = weights.iter().enumerate().map(|(i, w)| w * correlation[order - 1 - i]).sum();
        let reflection = (correlation[order] - known) / error;
        let mirrored: Vec<f64> = weights.iter().rev().copied().collect();
        for (weight, other) in weights.iter_mut().zip(&mirrored) {
            *weight -= reflection * other;
        }
        weights.push(reflection);
        error *= 1.0 - reflection * reflection;
        if !error.is_finite() || error <= 0.0 {
            break;
        }
        if ORDERS.contains(&order) {
            found.extend(quantised(&weights));
        }
    }
    found
}

/// Coefficients as integers; the error of each is carried to the next.
fn quantised(weights: &[f64]) -> Option<Predictor> {
    let largest = weights.iter().fold(0.0f64, |most, w| most.max(w.abs()));
    let limit = f64::from(1u32 << (PRECISION - 1)) - 1.0;
    let shift = (0..=15u32).rev().find(|shift| largest * f64::from(1u32 << shift) <= limit)?;
    let mut carried = 0.0;
    let coefficients = weights.iter().map(|weight| {
        let exact = weight * f64::from(1u32 << shift) + carried;
        let rounded = exact.round_ties_even().clamp(-limit, limit);
        carried = exact - rounded;
        rounded as i64
    });
    Some(Predictor { coefficients: coefficients.collect(), shift, fixed: false })
}

/// Negative numbers become odd ones (§9.2.7.2).
fn folded(residual: i32) -> u64 {
    u64::from(((residual << 1) ^ (residual >> 31)) as u32)
}

impl Rice {
    fn best(residual: &[i32], order: usize, frames: usize) -> Self {
        let fits = |parts: u32| frames.is_multiple_of(1 << parts) && (frames >> parts) > order;
        let choices = (0..=MOST_PARTITIONS).filter(|&parts| parts == 0 || fits(parts));
        choices
            .map(|parts| Self::of(residual, order, frames, parts))
            .min_by_key(|rice| rice.bits)
            .expect("one partition fits")
    }

    fn of(residual: &[i32], order: usize, frames: usize, parts: u32) -> Self {
        let mut rice = Self { order: parts, parameters: Vec::new(), bits: 6 };
        for part in partitions(residual, order, frames, parts) {
            let sum: u64 = part.iter().map(|&r| folded(r)).sum();
            let cost = |parameter: u32| -> u64 {
                part.iter().map(|&r| (folded(r) >> parameter) + 1 + u64::from(parameter)).sum()
            };
            // The best parameter lies about the logarithm of the mean.
            let about = (sum / part.len().max(1) as u64 + 1).ilog2();
            let (parameter, bits) = (about.saturating_sub(1)..=(about + 1).min(30))
                .map(|parameter| (parameter, cost(parameter)))
                .min_by_key(|&(_, bits)| bits)
                .expect("a parameter is tried");
            rice.parameters.push(parameter);
            rice.bits += 5 + bits;
        }
        rice
    }
}

/// The residual in partitions of equal block length; the first one lacks the warm-up samples.
fn partitions(residual: &[i32], order: usize, frames: usize, parts: u32) -> impl Iterator<Item = &[i32]> {
    let length = frames >> parts;
    (0..1usize << parts).map(move |part| {
        let start = (part * length).saturating_sub(order);
        &residual[start..(part + 1) * length - order]
    })
}

impl Subframe {
    /// Size in bits.
    pub(crate) fn bits(&self) -> u64 {
        let depth = u64::from(self.depth);
        match &self.content {
            Content::Constant(_) => 8 + depth,
            Content::Predicted { predictor, warm_up, rice, .. } => {
                let coefficients = if predictor.fixed {
                    0
                } else {
                    9 + predictor.coefficients.len() as u64 * u64::from(PRECISION)
                };
                8 + warm_up.len() as u64 * depth + coefficients + rice.bits
            }
        }
    }

    /// Writes it.
    pub(crate) fn write(&self, out: &mut BitWriter) {
        match &self.content {
            Content::Constant(value) => {
                out.put(0, 8);
                out.put_signed(i64::from(*value), self.depth);
            }
            Content::Predicted { predictor, warm_up, residual, rice } => {
                let order = warm_up.len();
                let kind = if predictor.fixed { 0b00_1000 | order } else { 0b10_0000 | (order - 1) };
                out.put((kind as u64) << 1, 8);
                for &sample in warm_up {
                    out.put_signed(i64::from(sample), self.depth);
                }
                if !predictor.fixed {
                    out.put(u64::from(PRECISION) - 1, 4);
                    out.put(u64::from(predictor.shift), 5);
                    for &coefficient in &predictor.coefficients {
                        out.put_signed(coefficient, PRECISION);
                    }
                }
                write_residual(out, residual, order, rice);
            }
        }
    }
}

fn write_residual(out: &mut BitWriter, residual: &[i32], order: usize, rice: &Rice) {
    out.put(0b01, 2);
    out.put(u64::from(rice.order), 4);
    let frames = residual.len() + order;
    for (part, &parameter) in partitions(residual, order, frames, rice.order).zip(&rice.parameters) {
        out.put(u64::from(parameter), 5);
        for &value in part {
            let value = folded(value);
            out.put_unary(value >> parameter);
            out.put(value, parameter);
        }
    }
}
