//! What a trial came to, as it is told over the socket.

use pondreeve_core::Timestamp;
use pondreeve_core::evidence::baci::{Interval, Period};
use pondreeve_core::evidence::differed::Difference;
use pondreeve_core::evidence::trial::{Fixed, are_apart};
use pondreeve_core::evidence::verdict::{Reason, Verdict, caution, together};
use pondreeve_core::evidence::{Method, Series};
use pondreeve_core::said::{Said, said};
use serde::{Deserialize, Serialize};

use super::protocol::Reply;
use super::requests::{Counter, Refusal};
use super::said::SaidStatus;
use super::trial::TrialStatus;

mod gather;
mod judge;
#[cfg(test)]
mod tests;

use judge::{Found, Numbers};

/// What a trial came to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EvidenceStatus {
    /// The trial.
    pub trial: TrialStatus,
    /// Those whose place it took, the newest first.
    pub earlier: Vec<TrialStatus>,
    /// Id of what may be said.
    pub level: String,
    /// In the words that are used.
    pub verdict: String,
    /// Why no more.
    pub reasons: Vec<String>,
    /// Unit of the estimate; empty where there is none.
    pub unit: String,
    /// Decimals worth showing.
    pub decimals: usize,
    /// Size of the effect with its interval of 95 %; absent where none can be computed.
    pub effect: Option<EffectStatus>,
    /// The usual test, which takes days for independent; shown, never acted on.
    pub usual: Option<EffectStatus>,
    /// Before the first dose.
    pub before: PeriodStatus,
    /// After it.
    pub after: PeriodStatus,
    /// Correlation of a day with the next, as reckoned with.
    pub correlation: Option<f64>,
    /// Share of other days for the first dose, or of draws of sham days, that show as much.
    pub chance_elsewhere: Option<f64>,
    /// Days of the first dose and the others, `2026-05-01`.
    pub doses: Vec<String>,
    /// Doses that count, where the doses are looked at one by one.
    pub doses_counted: Option<usize>,
    /// Those that do not, with the reason.
    pub doses_lost: Vec<LostStatus>,
    /// What else differed.
    pub differed: Vec<DifferedStatus>,
    /// What else was noted in either pond: services, other inputs.
    pub noted: Vec<String>,
    /// Outcome of the treated pond by day.
    pub treated_days: Vec<DayStatus>,
    /// Outcome of its control.
    pub control_days: Vec<DayStatus>,
    /// Several pairs of the same comparison together, where there are.
    pub together: Option<TogetherStatus>,
    /// Said beside every result of a single pair.
    pub caution: String,
    /// How it was reckoned, with sources.
    pub formulas: Vec<String>,
    /// What the sentences are made of, for other languages.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said: Option<Box<EvidenceSaid>>,
}

/// The sentences of an evidence with what they are made of, each list in the order of its English.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EvidenceSaid {
    /// Why no more.
    pub reasons: Vec<SaidStatus>,
    /// Why doses do not count.
    pub doses_lost: Vec<SaidStatus>,
    /// What else differed.
    pub differed: Vec<SaidStatus>,
    /// What else was noted.
    pub noted: Vec<SaidStatus>,
    /// Said beside every result of a single pair.
    pub caution: SaidStatus,
    /// How it was reckoned.
    pub formulas: Vec<SaidStatus>,
}

/// An estimate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct EffectStatus {
    /// Its size.
    pub estimate: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Degrees of freedom.
    pub degrees: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
    /// Chance of as much without an effect, where it is told.
    pub chance: Option<f64>,
}

impl EffectStatus {
    fn of(interval: &Interval, chance: Option<f64>) -> Self {
        let Interval { estimate, standard_error, degrees, low, high } = *interval;
        Self { estimate, standard_error, degrees, low, high, chance }
    }
}

/// The days before or after.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct PeriodStatus {
    /// First and last day, `2026-05-01`; absent where there is none.
    pub from: Option<String>,
    /// See `from`.
    pub to: Option<String>,
    /// Days in it.
    pub days: usize,
    /// Days on which both ponds have a value.
    pub known: usize,
    /// Independent days that these are worth.
    pub effective: Option<f64>,
    /// Mean of the treated pond.
    pub treated: Option<f64>,
    /// Mean of its control.
    pub control: Option<f64>,
}

/// A dose that does not count.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LostStatus {
    /// `2026-05-01`.
    pub day: String,
    /// Why.
    pub why: String,
}

/// What else differed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DifferedStatus {
    /// Id.
    pub factor: String,
    /// In words.
    pub words: String,
    /// Unit.
    pub unit: String,
    /// Treated pond, before and after.
    pub treated: [Option<f64>; 2],
    /// Control, before and after.
    pub control: [Option<f64>; 2],
    /// By how much the treated pond changed beyond its control.
    pub change: Option<f64>,
    /// The same as a share.
    pub share: Option<f64>,
    /// Whether it stayed alike; absent where that is not known.
    pub balanced: Option<bool>,
}

/// One day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DayStatus {
    /// `2026-05-01`, by the sun at the farm.
    pub day: String,
    /// In the unit of the outcome.
    pub value: f64,
}

/// Several pairs together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TogetherStatus {
    /// Id of what may be said of all of them.
    pub level: String,
    /// In the words that are used.
    pub verdict: String,
    /// Numbers of the trials.
    pub trials: Vec<u64>,
}

/// A day as it is written.
fn date(day: i64) -> String {
    let at = jiff::Timestamp::from_millisecond(day.saturating_mul(86_400_000)).unwrap_or_default();
    at.strftime("%Y-%m-%d").to_string()
}

fn days(series: &Series) -> Vec<DayStatus> {
    series.days().iter().map(|own| DayStatus { day: date(own.day), value: own.value }).collect()
}

fn difference(own: &Difference) -> DifferedStatus {
    DifferedStatus {
        factor: own.factor.id().to_owned(),
        words: own.factor.words().to_owned(),
        unit: own.factor.unit().to_owned(),
        treated: own.treated,
        control: own.control,
        change: own.change,
        share: own.share,
        balanced: own.is_balanced,
    }
}

/// How it was reckoned.
fn formulas(method: Method) -> Vec<Said> {
    match method {
        Method::BeforeAfter => vec![
            said!(
                "method-baci",
                "effect = (treated after - before) - (control after - before), means of the days that both know (BACI; Stewart-Oaten and others 1986, Ecology 67)"
            ),
            said!(
                "method-worth",
                "n days are worth n (1 - r) / (1 + r); r is the correlation of a day with the next, mended for short series (Marriott and Pope 1954, Biometrika 41) and raised by its own standard error"
            ),
            said!(
                "method-interval",
                "interval = effect ± t x SD x sqrt(1/worth before + 1/worth after), t with worth before + worth after - 2 degrees of freedom"
            ),
            said!(
                "method-other-days",
                "beside it: the share of other days for the first dose that would show as much"
            ),
        ],
        Method::Doses => vec![
            said!(
                "method-doses",
                "of each dose: the day after less the mean of the three days before, treated less control; days with other light (20 %), aeration (10 %), a service or no value do not count, and older ones, up to five days back, take their place"
            ),
            said!("method-doses-interval", "interval = mean over the doses ± t x SD / sqrt(doses)"),
            said!(
                "method-shams",
                "beside it: the share of draws of as many sham days, from weeks without a dose, that show as much"
            ),
        ],
    }
}

/// Who fixes many comparisons of one pond finds something in one of them: how many there are stands beside each.
fn one_of_several(fixed: &Fixed, all: &[Fixed]) -> Option<Said> {
    let trial = &fixed.trial;
    let same_time = |own: &&Fixed| {
        let other = &own.trial;
        other.treated == trial.treated && other.from < trial.to && trial.from < other.to
    };
    let count = all.iter().filter(same_time).count();
    (count > 1).then(|| {
        said!(
            "noted-one-of-several",
            "one of {count} comparisons that were fixed for {pond} over this time, replaced ones counted: each finds something by chance in up to 5 % of ponds to which nothing was done, so look at all of them",
            count = count.to_string(),
            pond = &trial.treated
        )
    })
}

/// The status of what was found.
fn status(fixed: &Fixed, all: &[Fixed], found: &Found) -> EvidenceStatus {
    let trial = &fixed.trial;
    let mut earlier = Vec::new();
    let mut next = trial.replaces;
    while let Some(own) = next.and_then(|number| all.iter().find(|own| own.trial.number == number)) {
        earlier.push(TrialStatus::of(own));
        // Numbers only grow, so this ends.
        next = own.trial.replaces.filter(|&number| number < own.trial.number);
    }
    let Verdict { level, reasons } = &found.verdict;
    let mut effect = None;
    let (mut usual, mut correlation, mut chance) = (None, None, None);
    let mut worth: [Option<Period>; 2] = [None; 2];
    let (mut counted, mut lost, mut lost_said) = (None, Vec::new(), Vec::new());
    match &found.numbers {
        Numbers::Days(Ok(own)) => {
            effect = Some(EffectStatus::of(&own.interval, None));
            usual = Some(EffectStatus::of(&own.naive.interval, Some(own.naive.chance)));
            correlation = Some(own.correlation);
            chance = Some(own.shift_chance);
            worth = [Some(own.before), Some(own.after)];
        }
        Numbers::Doses(own) => {
            effect = own.interval.as_ref().map(|interval| EffectStatus::of(interval, None));
            usual = own.naive.map(|naive| EffectStatus::of(&naive.interval, Some(naive.chance)));
            chance = own.sham_chance;
            counted = Some(own.doses.len());
            let told = own.lost.iter();
            lost = told.map(|(day, why)| LostStatus { day: date(*day), why: why.words().into() }).collect();
            lost_said = own.lost.iter().map(|(_, why)| SaidStatus::from(&why.words())).collect();
        }
        Numbers::Days(Err(_)) | Numbers::None => {}
    }
    let [before, after] = [(found.periods.before, worth[0]), (found.periods.after, worth[1])].map(
        |(stretch, worth): ((i64, i64), Option<Period>)| {
            let is_any = stretch.1 >= stretch.0;
            let both = found.treated.less(&found.control);
            PeriodStatus {
                from: is_any.then(|| date(stretch.0)),
                to: is_any.then(|| date(stretch.1)),
                days: pondreeve_core::evidence::Periods::length(stretch),
                known: both.within(stretch).count(),
                effective: worth.map(|own| own.effective),
                treated: found.treated.mean(stretch).map(|own| own.0),
                control: found.control.mean(stretch).map(|own| own.0),
            }
        },
    );
    let reasons: Vec<Said> = reasons.iter().map(Reason::words).collect();
    let noted: Vec<Said> =
        one_of_several(fixed, all).into_iter().chain(found.noted.iter().cloned()).collect();
    let (caution, formulas) = (caution(), formulas(trial.method));
    let english = |said: &[Said]| said.iter().map(|own| own.english().to_owned()).collect::<Vec<_>>();
    let all_said = |said: &[Said]| said.iter().map(SaidStatus::from).collect::<Vec<_>>();
    EvidenceStatus {
        said: Some(Box::new(EvidenceSaid {
            reasons: all_said(&reasons),
            doses_lost: lost_said,
            differed: found.differed.iter().map(|own| (&own.factor.said()).into()).collect(),
            noted: all_said(&noted),
            caution: (&caution).into(),
            formulas: all_said(&formulas),
        })),
        trial: TrialStatus::of(fixed),
        earlier,
        level: level.id().to_owned(),
        verdict: level.words().to_owned(),
        reasons: english(&reasons),
        unit: trial.outcome.unit().to_owned(),
        decimals: trial.outcome.decimals(),
        effect,
        usual,
        before,
        after,
        correlation,
        chance_elsewhere: chance,
        doses: found.doses.iter().map(|&day| date(day)).collect(),
        doses_counted: counted,
        doses_lost: lost,
        differed: found.differed.iter().map(difference).collect(),
        noted: english(&noted),
        treated_days: days(&found.treated),
        control_days: days(&found.control),
        together: None,
        caution: caution.into(),
        formulas: english(&formulas),
    }
}

impl Counter {
    /// What a trial came to, and others of the same comparison with it.
    pub(super) async fn evidence(&self, number: u64) -> Result<Reply, Refusal> {
        let all = self.desk.trials().await.ok_or(Refusal::Ended)?;
        let Some(own) = all.iter().find(|own| own.trial.number == number) else {
            let numbers: Vec<String> = all.iter().map(|own| own.trial.number.to_string()).collect();
            let known = if numbers.is_empty() {
                said!("refused-trial-none-yet", "none yet")
            } else {
                Said::plain(numbers.join(", "))
            };
            return Err(Refusal::Told(said!(
                "refused-trial-number",
                "there is no trial {trial}; known are {known}",
                trial = number.to_string(),
                known = known
            )));
        };
        let now = self.clock.now();
        let found = self.look_at(own, now).await?;
        let mut told = status(own, &all, &found);
        let same = |other: &&Fixed| {
            let (one, two) = (&own.trial, &other.trial);
            (one.outcome, one.wanted, one.method) == (two.outcome, two.wanted, two.method)
                && other.replaced_by.is_none()
                && one.number != two.number
        };
        let mut others: Vec<&Fixed> = Vec::new();
        for other in all.iter().filter(same) {
            let mut taken = others.iter().copied().chain([own]);
            if taken.all(|taken| are_apart(&taken.trial, &other.trial)) {
                others.push(other);
            }
        }
        if !others.is_empty() && own.replaced_by.is_none() {
            let mut pairs = vec![found.for_all()];
            let mut trials = vec![number];
            for other in others {
                pairs.push(self.look_at(other, now).await?.for_all());
                trials.push(other.trial.number);
            }
            trials.sort_unstable();
            let level = together(&pairs, own.trial.wanted);
            let (level, verdict) = (level.id().to_owned(), level.words().to_owned());
            told.together = Some(TogetherStatus { level, verdict, trials });
        }
        Ok(Reply::Evidence(Box::new(told)))
    }

    async fn look_at(&self, own: &Fixed, now: Timestamp) -> Result<Found, Refusal> {
        let gathered = gather::gather(&self.farm, self.desk.shelf(), &own.trial, now).await;
        Ok(judge::judge(own, &gathered.map_err(Refusal::Failed)?))
    }
}
