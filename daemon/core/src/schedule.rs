//! The cheapest safe night: which aerator groups start when, so that the chance of oxygen falling
//! below a limit stays under a given risk at the least energy.
//!
//! The course of oxygen is stepped from now to an hour after sunrise with a respiration that is as bad
//! as the risk allows. Every set of groups is tried with its latest common start; then each group of the
//! cheapest set starts later still where the others allow it.

use alloc::vec::Vec;

use crate::respiration::{AFTER_SUNRISE, BETA, EVERY, Rate, Tank};
use crate::sunlight::LOW_UNTIL;
use crate::time::{Span, Timestamp};

/// More groups than this are not told apart in the search: the further ones are left as they are.
const MOST_GROUPS: usize = 6;
/// Steps of [`EVERY`] looked ahead: a night of 16 hours and the hour after it.
const MOST_STEPS: usize = 68;
/// One standard deviation of what one oxygen probe says of a whole pond, mg/L. (Common practice, no
/// source.)
const SPOT_ERROR_MG_L: f64 = 0.1;

/// A group that may be started or left on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Candidate {
    /// Its position in the pond's aerators.
    pub group: u16,
    /// kW.
    pub power_kw: f64,
    /// Standard rate, kg O2 per hour.
    pub sotr_kg_h: f64,
    /// It must run the whole night, for mixing or as the farm's rule.
    pub must_run: bool,
    /// A timer starts it then, for the rest of the night, whatever a plan says; a person may start it earlier. Where it
    /// runs by one already: now, or earlier.
    pub timer_on: Option<Timestamp>,
}

/// What a plan is made for.
pub struct Task<'a> {
    /// Now.
    pub now: Timestamp,
    /// End of the night.
    pub sunrise: Timestamp,
    /// Oxygen now, mg/L.
    pub do_mg_l: f64,
    /// The water.
    pub tank: Tank,
    /// Respiration expected at a time.
    pub rate: &'a dyn Fn(Timestamp) -> Option<Rate>,
    /// What can run.
    pub groups: &'a [Candidate],
    /// Oxygen that is to be held, mg/L.
    pub hold_mg_l: f64,
    /// Chance of falling below it that is accepted, 0 to 1.
    pub risk: f64,
}

/// A plan.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// Group and start, earliest first. What runs already starts now.
    pub starts: Vec<(u16, Timestamp)>,
    /// Those of them whose start is left to their timer.
    pub by_timer: Vec<u16>,
    /// Until when.
    pub stop: Timestamp,
    /// Energy, kWh.
    pub kwh: f64,
    /// Lowest oxygen expected under the plan, mg/L.
    pub low_mg_l: f64,
    /// Lowest oxygen that must be reckoned with under the plan, mg/L.
    pub low_at_risk_mg_l: f64,
    /// Lowest oxygen expected, and when, if nothing but what must run ran.
    pub low_unaided: (f64, Timestamp),
    /// Whether the limit is held at that risk.
    pub is_enough: bool,
}

/// One step ahead.
#[derive(Debug, Clone, Copy)]
struct Step {
    hours: f64,
    expected_mg_l_h: f64,
    bad_mg_l_h: f64,
}

struct Course<'a> {
    task: &'a Task<'a>,
    steps: Vec<Step>,
    z: f64,
}

/// Number of standard deviations below the mean that a normal value undercuts with a chance.
fn deviations(risk: f64) -> f64 {
    let risk = if risk.is_finite() { risk.clamp(0.001, 0.5) } else { 0.1 };
    let (mut low, mut high) = (0.0, 4.0);
    for _ in 0..40 {
        let middle = (low + high) / 2.0;
        if 0.5 * libm::erfc(middle / core::f64::consts::SQRT_2) > risk { low = middle } else { high = middle }
    }
    (low + high) / 2.0
}

impl<'a> Course<'a> {
    fn new(task: &'a Task<'a>) -> Option<Self> {
        let end = task.sunrise + LOW_UNTIL;
        let z = deviations(task.risk);
        let mut steps = Vec::new();
        let mut at = task.now;
        while at < end && steps.len() < MOST_STEPS {
            let span = if at + EVERY <= end { EVERY } else { end - at };
            let rate = (task.rate)(at)?;
            let light = if at >= task.sunrise { AFTER_SUNRISE } else { 1.0 };
            let expected_mg_l_h = light * rate.mg_l_h;
            steps.push(Step {
                hours: span.as_hours(),
                expected_mg_l_h,
                bad_mg_l_h: expected_mg_l_h + z * (light * rate.mg_l_h * rate.error).abs(),
            });
            at = at + span;
        }
        (!steps.is_empty()).then_some(Self { task, steps, z })
    }

    /// Oxygen now and after each step; `starts` is one step number per group, the number of steps standing for
    /// never.
    fn course(&self, starts: &[usize], bad: bool) -> impl Iterator<Item = f64> {
        let mut oxygen = self.task.do_mg_l - if bad { self.z * SPOT_ERROR_MG_L } else { 0.0 };
        let after = self.steps.iter().enumerate().map(move |(number, step)| {
            let sotr: f64 = self
                .task
                .groups
                .iter()
                .zip(starts)
                .filter(|&(_, &start)| start <= number)
                .map(|(group, _)| group.sotr_kg_h)
                .sum();
            let rate = if bad { step.bad_mg_l_h } else { step.expected_mg_l_h };
            oxygen = self.task.tank.after(oxygen, rate, sotr, step.hours);
            oxygen
        });
        core::iter::once(oxygen).chain(after)
    }

    /// Lowest oxygen and the step after which it is reached.
    fn low(&self, starts: &[usize], bad: bool) -> (f64, usize) {
        let mut course = self.course(starts, bad).zip(0..);
        let first = course.next().unwrap_or((self.task.do_mg_l, 0));
        course.fold(first, |low, next| if next.0 < low.0 { next } else { low })
    }

    /// The first step in which an aerator brings oxygen in, as bad as the risk allows: above saturation it drives
    /// it out.
    fn helps_from(&self, unaided: &[usize]) -> usize {
        let full = BETA * self.task.tank.saturation_mg_l;
        let steps = 0..self.steps.len();
        let mut courses = self.course(unaided, true).zip(steps);
        courses.find(|&(oxygen, _)| oxygen < full).map_or(0, |(_, step)| step)
    }

    fn holds(&self, starts: &[usize]) -> bool {
        // Where it is below already, what counts is that it comes back.
        self.low(starts, true).0 >= self.task.hold_mg_l
    }

    fn kwh(&self, starts: &[usize]) -> f64 {
        self.task
            .groups
            .iter()
            .zip(starts)
            .map(|(group, &start)| {
                group.power_kw * self.steps.iter().skip(start).map(|step| step.hours).sum::<f64>()
            })
            .sum()
    }

    /// The same for what a person has to start: what a timer runs anyway costs nothing more.
    fn kwh_by_hand(&self, starts: &[usize], timers: &[Option<usize>]) -> f64 {
        let until = |timer: Option<usize>| timer.unwrap_or(self.steps.len());
        self.task
            .groups
            .iter()
            .zip(starts.iter().zip(timers))
            .map(|(group, (&start, &timer))| {
                let steps = self.steps.iter().take(until(timer)).skip(start);
                group.power_kw * steps.map(|step| step.hours).sum::<f64>()
            })
            .sum()
    }

    /// The latest start of the groups in `set` with which the limit holds; `None` where even now is too
    /// late.
    fn latest(&self, set: u32, starts: &mut [usize]) -> Option<usize> {
        let mut put = |step: usize| {
            for (place, start) in starts.iter_mut().enumerate() {
                if set & (1 << place) != 0 {
                    *start = step;
                }
            }
            self.holds(starts)
        };
        if !put(0) {
            return None;
        }
        // Holds at `low`; not known to hold at `high`.
        let (mut low, mut high) = (0, self.steps.len() + 1);
        while high - low > 1 {
            let middle = usize::midpoint(low, high);
            if put(middle) { low = middle } else { high = middle }
        }
        put(low);
        Some(low)
    }
}

/// The cheapest plan, or all there is where nothing is enough. `None` where no course can be worked out.
pub fn plan(task: &Task<'_>) -> Option<Plan> {
    let course = Course::new(task)?;
    let never = course.steps.len();
    // The first step that a timer's group runs through whole.
    let by_timer = |group: &Candidate| {
        let wait = (group.timer_on? - task.now).as_millis().max(0);
        let steps = wait.div_euclid(EVERY.as_millis()) + i64::from(wait % EVERY.as_millis() > 0);
        usize::try_from(steps).ok().filter(|&step| step < never)
    };
    let timers: Vec<Option<usize>> = task.groups.iter().map(by_timer).collect();
    let coming: Vec<Option<usize>> = timers.iter().map(|timer| timer.filter(|&step| step > 0)).collect();
    let unaided: Vec<usize> =
        task.groups.iter().map(|group| if group.must_run { 0 } else { never }).collect();
    let free: Vec<usize> = task
        .groups
        .iter()
        .enumerate()
        .filter(|(_, group)| !group.must_run && group.sotr_kg_h > 0.0)
        .map(|(place, _)| place)
        .take(MOST_GROUPS)
        .collect();
    let mut best: Option<([f64; 2], Vec<usize>)> = None;
    if course.holds(&unaided) {
        best = Some(([0.0; 2], unaided.clone()));
    } else {
        for chosen in 1_u32..1 << free.len() {
            let set = free
                .iter()
                .enumerate()
                .filter(|(bit, _)| chosen & (1 << bit) != 0)
                .fold(0_u32, |set, (_, &place)| set | 1 << place.min(31));
            let mut starts = unaided.clone();
            if course.latest(set, &mut starts).is_some() {
                let cost = [course.kwh_by_hand(&starts, &timers), course.kwh(&starts)];
                if best.as_ref().is_none_or(|(least, _)| cost < *least) {
                    best = Some((cost, starts));
                }
            }
        }
        if let Some((_, starts)) = &mut best {
            // What a timer will start earlier than it is needed leaves more time for the others. What one runs already
            // may rest until then.
            for (start, timer) in starts.iter_mut().zip(&coming) {
                if *start < never {
                    *start = timer.map_or(*start, |timer| timer.min(*start));
                }
            }
            // The strongest first: its delay saves most.
            let mut order: Vec<usize> = free.clone();
            let power = |place: usize| task.groups.get(place).map_or(0.0, |group| group.power_kw);
            order.sort_by(|&a, &b| power(b).total_cmp(&power(a)));
            for place in order {
                let is_by_hand = |&start: &usize| {
                    start < never && coming.get(place).copied().flatten().is_none_or(|timer| start < timer)
                };
                if starts.get(place).is_some_and(is_by_hand) {
                    course.latest(1 << place.min(31), starts);
                }
            }
        }
    }
    let is_enough = best.is_some();
    let starts = best.map_or_else(
        || {
            let from = course.helps_from(&unaided);
            unaided.iter().map(|&start| start.min(from)).collect()
        },
        |(_, starts)| starts,
    );
    let at = |step: usize| {
        task.now
            + Span::from_millis(EVERY.as_millis().saturating_mul(i64::try_from(step).unwrap_or(i64::MAX)))
    };
    let is_left =
        |start: usize, timer: Option<usize>| start < never && timer.is_some_and(|timer| timer <= start);
    let planned = task.groups.iter().zip(starts.iter().copied().zip(coming.iter().copied()));
    let mut named: Vec<(u16, Timestamp)> = planned
        .clone()
        .filter(|&(_, (start, _))| start < never)
        .map(|(group, (start, timer))| {
            let left_to_it = group.timer_on.filter(|_| is_left(start, timer));
            (group.group, left_to_it.unwrap_or_else(|| at(start)))
        })
        .collect();
    named.sort_by_key(|&(group, start)| (start, group));
    let left_to_timers = planned.filter(|&(_, (start, timer))| is_left(start, timer));
    let (unaided_low, unaided_step) = course.low(&unaided, false);
    Some(Plan {
        starts: named,
        by_timer: left_to_timers.map(|(group, _)| group.group).collect(),
        stop: task.sunrise + LOW_UNTIL,
        kwh: course.kwh(&starts),
        low_mg_l: course.low(&starts, false).0,
        low_at_risk_mg_l: course.low(&starts, true).0,
        low_unaided: (unaided_low, at(unaided_step).min(task.sunrise + LOW_UNTIL)),
        is_enough,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::derived::Water;
    use crate::effect::Flag;
    use crate::quality::Seen;

    fn at(hour: f64) -> Timestamp {
        Timestamp((hour * 3_600_000.0) as i64)
    }

    fn tank() -> Tank {
        let water = Water {
            temperature_c: Some(Seen { value: 29.0, at: at(0.0), flag: Flag::Pass }),
            salinity_psu: 18.0,
            salinity_flag: Flag::NotEvaluated,
            pressure_hpa: 1013.25,
            pressure_flag: Flag::NotEvaluated,
        };
        Tank::new(5_000.0, 1.5, &water).unwrap()
    }

    fn group(group: u16, power_kw: f64, sae: f64) -> Candidate {
        Candidate { group, power_kw, sotr_kg_h: power_kw * sae, must_run: false, timer_on: None }
    }

    fn make(do_mg_l: f64, rate: f64, error: f64, groups: &[Candidate], risk: f64) -> Plan {
        let rate = move |_: Timestamp| Some(Rate { mg_l_h: rate, error });
        let task = Task {
            now: at(20.0),
            sunrise: at(30.0),
            do_mg_l,
            tank: tank(),
            rate: &rate,
            groups,
            hold_mg_l: 4.0,
            risk,
        };
        plan(&task).unwrap()
    }

    /// Standard normal table: 10 % lies below -1.2816, 2.5 % below -1.96, half below 0.
    #[test]
    fn risk_becomes_deviations() {
        for (risk, z) in [(0.1, 1.2816), (0.025, 1.96), (0.5, 0.0)] {
            assert!((deviations(risk) - z).abs() < 1e-3, "{risk}");
        }
    }

    #[test]
    fn a_pond_that_holds_by_itself_is_left_alone() {
        let plan = make(9.0, 0.2, 0.1, &[group(0, 4.5, 1.2)], 0.1);
        assert!(plan.starts.is_empty() && plan.is_enough && plan.kwh == 0.0, "{plan:?}");
        assert!(plan.low_at_risk_mg_l < plan.low_mg_l);
    }

    /// The plan is checked by walking the night on a fine clock with the respiration it must stand.
    #[test]
    fn the_limit_is_held_at_the_risk_and_not_much_better() {
        let groups = [group(0, 4.5, 1.2), group(1, 4.5, 1.2), group(2, 2.2, 1.4)];
        let plan = make(7.0, 0.45, 0.15, &groups, 0.1);
        assert!(plan.is_enough && !plan.starts.is_empty(), "{plan:?}");
        let (mut oxygen, mut lowest) = (7.0 - 1.2816 * 0.1, f64::INFINITY);
        for minute in 0..11 * 60 {
            let now = at(20.0) + Span::from_minutes(minute);
            let on: f64 = plan
                .starts
                .iter()
                .filter(|&&(_, start)| start <= now)
                .map(|&(index, _)| groups[usize::from(index)].sotr_kg_h)
                .sum();
            let light = if minute >= 600 { 0.5 } else { 1.0 };
            oxygen = tank().after(oxygen, light * 0.45 * (1.0 + 1.2816 * 0.15), on, 1.0 / 60.0);
            lowest = oxygen.min(lowest);
        }
        assert!((3.97..4.25).contains(&lowest), "{lowest} under {plan:?}");
    }

    #[test]
    fn less_risk_costs_more_energy_and_efficient_groups_go_first() {
        let groups = [group(0, 4.5, 1.0), group(1, 4.5, 2.0)];
        let bold = make(7.0, 0.35, 0.2, &groups, 0.3);
        let careful = make(7.0, 0.35, 0.2, &groups, 0.02);
        assert!(bold.kwh < careful.kwh, "{bold:?} {careful:?}");
        assert_eq!(bold.starts.first().map(|&(group, _)| group), Some(1), "{bold:?}");
    }

    #[test]
    fn too_little_power_is_said_and_everything_starts_now() {
        let plan = make(5.0, 1.5, 0.1, &[group(0, 1.5, 1.0)], 0.1);
        assert!(!plan.is_enough);
        assert_eq!(plan.starts, [(0, at(20.0))]);
        assert!(plan.low_mg_l < 4.0);
    }

    /// Saturated at 6.82 mg/L. From 8.6 less 0.13, by 1.5 · 1.128 · 0.95 mg/L per hour, it is at 6.86 after an hour.
    #[test]
    fn too_little_power_is_not_run_above_saturation_where_it_drives_oxygen_out() {
        let plan = make(8.6, 1.5, 0.1, &[group(0, 1.5, 1.0)], 0.1);
        assert!(!plan.is_enough);
        assert_eq!(plan.starts, [(0, at(21.25))], "{plan:?}");
    }

    /// By hand, with saturation at 6.82 mg/L, 0.097 of what lacks an hour with one group and 0.185 with both: 0.36
    /// (0.38 as bad as the risk) leaves 3.2 alone and 4.4 with one; 0.5 (0.53) leaves 3.5 with one from 22:00.
    #[test]
    fn what_a_timer_starts_anyway_is_counted_with_and_started_by_hand_only_where_it_comes_too_late() {
        let timed = |hour: f64| Candidate { timer_on: Some(at(hour)), ..group(0, 4.5, 1.2) };
        let free = group(1, 4.5, 1.2);
        let early = make(7.0, 0.36, 0.1, &[timed(22.0), free], 0.1);
        assert_eq!(
            (early.starts.as_slice(), early.by_timer.as_slice()),
            ([(0, at(22.0))].as_slice(), [0].as_slice())
        );
        assert!(early.is_enough && early.low_at_risk_mg_l >= 4.0, "{early:?}");
        // Three hours after the need: by hand before the timer, or the other group.
        let late = make(7.0, 0.36, 0.1, &[timed(30.5)], 0.1);
        assert!(late.is_enough && late.by_timer.is_empty(), "{late:?}");
        assert!(late.starts[0].1 < at(30.5), "{late:?}");
        let both = make(7.0, 0.5, 0.1, &[timed(22.0), free], 0.1);
        assert!(both.is_enough && both.by_timer == [0], "{both:?}");
        assert!(both.starts.iter().any(|&(group, start)| group == 1 && start > at(20.0)), "{both:?}");
        // Not enough: the timer's group is asked for at once as well.
        let short = make(5.0, 1.5, 0.1, &[timed(22.0)], 0.1);
        assert_eq!((short.starts.as_slice(), short.by_timer.len()), ([(0, at(20.0))].as_slice(), 0));
    }

    #[test]
    fn what_must_run_runs_and_is_counted() {
        let mixing = Candidate { must_run: true, ..group(0, 1.5, 1.0) };
        let plan = make(9.0, 0.2, 0.1, &[mixing, group(1, 4.5, 1.2)], 0.1);
        assert_eq!(plan.starts, [(0, at(20.0))]);
        assert!((plan.kwh - 1.5 * 11.0).abs() < 1e-9, "eleven hours to an hour after sunrise: {}", plan.kwh);
    }
}
