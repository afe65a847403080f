//! How good forecasts were.

/// One night's forecast and what came.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Case {
    pub said_mg_l: f64,
    pub low_80: f64,
    pub high_80: f64,
    /// Chance that the low lies below the site's alarm limit.
    pub chance: f64,
    pub came_mg_l: f64,
    pub is_danger: bool,
}

#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measures {
    pub nights: usize,
    pub mean_error: f64,
    pub bias: f64,
    pub error_p90: f64,
    /// Share of nights inside the 80 % interval.
    pub covered: f64,
    pub width: f64,
    /// Share of danger nights, and of safe ones, for which the chance was a half or more.
    pub hits: Option<f64>,
    pub false_alarms: Option<f64>,
    /// Chance that a danger night was given a higher chance than a safe one.
    pub auc: Option<f64>,
    /// Hits where one safe night in ten is alarmed.
    pub hits_at_tenth: Option<f64>,
}

/// Fewer danger or safe nights than this say nothing of hits.
const FEWEST: usize = 5;

pub fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    sum / count
}

/// Between the two nearest values.
fn percentile(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    let Some(last) = values.len().checked_sub(1) else { return f64::NAN };
    let place = share * last as f64;
    let (below, above) = (values[place.floor() as usize], values[place.ceil() as usize]);
    below + (place - place.floor()) * (above - below)
}

/// Share of pairs in which the danger night was given the higher chance; ties count half.
fn auc(danger: &[f64], safe: &[f64]) -> f64 {
    let score = |a: f64, b: f64| match a.total_cmp(&b) {
        std::cmp::Ordering::Greater => 1.0,
        std::cmp::Ordering::Equal => 0.5,
        std::cmp::Ordering::Less => 0.0,
    };
    mean(danger.iter().flat_map(|&a| safe.iter().map(move |&b| score(a, b))))
}

fn share(values: &[f64], at_least: f64) -> f64 {
    mean(values.iter().map(|&value| f64::from(u8::from(value >= at_least))))
}

/// Most danger nights that can be told while at most one safe night in ten is told as well.
fn hits_at_tenth(danger: &[f64], safe: &[f64]) -> f64 {
    let hits = danger.iter().filter(|&&chance| share(safe, chance) <= 0.1).map(|&at| share(danger, at));
    hits.fold(0.0, f64::max)
}

pub fn measure(cases: &[Case]) -> Option<Measures> {
    if cases.is_empty() {
        return None;
    }
    let errors = || cases.iter().map(|case| case.said_mg_l - case.came_mg_l);
    let chances = |of_danger: bool| -> Vec<f64> {
        cases.iter().filter(|case| case.is_danger == of_danger).map(|case| case.chance).collect()
    };
    let (danger, safe) = (chances(true), chances(false));
    let enough = danger.len() >= FEWEST && safe.len() >= FEWEST;
    Some(Measures {
        nights: cases.len(),
        mean_error: mean(errors().map(f64::abs)),
        bias: mean(errors()),
        error_p90: percentile(&mut errors().map(f64::abs).collect::<Vec<_>>(), 0.9),
        covered: mean(
            cases
                .iter()
                .map(|case| f64::from(u8::from((case.low_80..=case.high_80).contains(&case.came_mg_l)))),
        ),
        width: mean(cases.iter().map(|case| case.high_80 - case.low_80)),
        hits: enough.then(|| share(&danger, 0.5)),
        false_alarms: enough.then(|| share(&safe, 0.5)),
        auc: enough.then(|| auc(&danger, &safe)),
        hits_at_tenth: enough.then(|| hits_at_tenth(&danger, &safe)),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentiles_lie_between_values() {
        assert_eq!(percentile(&mut [4.0, 1.0, 2.0, 3.0, 5.0], 0.9), 4.6);
        assert_eq!(percentile(&mut [7.0], 0.9), 7.0);
    }

    /// Of six pairs: 0.9 beats three, 0.4 beats one and ties one.
    #[test]
    fn auc_counts_pairs() {
        assert!((auc(&[0.9, 0.4], &[0.1, 0.4, 0.6]) - 4.5 / 6.0).abs() < 1e-12);
    }

    /// Ten safe nights, one at 0.7: alarming from 0.6 on tells one of them and two of three danger nights;
    /// from 0.5 on two safe ones.
    #[test]
    fn one_false_alarm_in_ten_is_spent() {
        let safe = [0.7, 0.5, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1];
        assert!((hits_at_tenth(&[0.9, 0.6, 0.5], &safe) - 2.0 / 3.0).abs() < 1e-12);
    }

    #[test]
    fn errors_bias_and_coverage_of_two_nights() {
        let case = |said_mg_l: f64, came_mg_l: f64| Case {
            said_mg_l,
            low_80: said_mg_l - 0.5,
            high_80: said_mg_l + 0.5,
            chance: 0.0,
            came_mg_l,
            is_danger: false,
        };
        let measures = measure(&[case(3.0, 4.0), case(5.0, 4.75)]).unwrap();
        assert_eq!((measures.nights, measures.mean_error, measures.bias), (2, 0.625, -0.375));
        assert_eq!((measures.covered, measures.width, measures.auc), (0.5, 1.0, None));
    }
}
