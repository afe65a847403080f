//! The page: everything a reader sees, put into words and handed to the template.

use askama::Template;

use super::books::{Book, Kind};
use super::evidence::{DidItHelp, Effect, Trial};
use super::figures::{COMPLETENESS, FIRST_PAGE, SIDE_BY_SIDE};
use super::parts::{Words, number};
use super::{Gathered, Language, PondReport, QUANTITIES, Texts, VALID_SHARE, rank, time};
use crate::local::said::SaidStatus;
use drawn::Drawn;

mod drawn;

/// Feedings up to so many are listed one by one; more are counted.
const MOST_FEEDS: usize = 12;

/// Records of the audit trail on the page; all of them are in the CSV.
const MOST_AUDIT: usize = 40;

/// A cell: what it says, the figure it is, where it is one, and a language of its own.
#[derive(Debug, Clone, Default)]
pub(super) struct Cell {
    pub(super) text: String,
    pub(super) figure: String,
    pub(super) is_known: bool,
    pub(super) is_english: bool,
}

impl Cell {
    fn plain(text: impl Into<String>) -> Self {
        Self { text: text.into(), is_known: true, ..Self::default() }
    }
}

/// A table with a header row, and a header in each row.
#[derive(Debug, Default)]
pub(super) struct Grid {
    caption: String,
    heads: Vec<String>,
    rows: Vec<(String, Vec<Cell>)>,
}

impl Grid {
    fn new(caption: String, heads: Vec<String>) -> Self {
        Self { caption, heads, rows: Vec::new() }
    }

    fn row(&mut self, name: impl Into<String>, cells: Vec<Cell>) {
        self.rows.push((name.into(), cells));
    }
}

struct Ranked {
    id: String,
    name: String,
    reasons: Vec<String>,
    figures: Vec<(String, Cell)>,
}

struct TrialView {
    heading: String,
    wording: String,
    lines: Vec<(String, Cell)>,
    plots: Vec<Drawn>,
    caution: String,
    caution_is_english: bool,
}

struct PondView {
    id: String,
    name: String,
    about: String,
    plots: Vec<Drawn>,
    empty: Vec<String>,
    figures: Grid,
    costs: Grid,
    unpriced: Vec<String>,
    completeness: Grid,
}

#[derive(Template)]
#[template(path = "report.html")]
struct Page<'a> {
    t: &'a Texts,
    farm: String,
    period: String,
    made: String,
    version: String,
    lead: String,
    ranked: Vec<Ranked>,
    first: Grid,
    wording: String,
    wording_more: String,
    compared: Vec<Drawn>,
    trials: Vec<TrialView>,
    shows_caution: bool,
    side: Grid,
    ponds: Vec<PondView>,
    alarms: Grid,
    alarm_period: String,
    frequent: String,
    diary: Grid,
    feeds: String,
    audit: Grid,
    audit_more: String,
    formulas: Grid,
    limits: Grid,
    cautions: Vec<String>,
    unknown: Vec<(String, Vec<String>)>,
    no_energy_price: bool,
}

/// The page as HTML.
///
/// # Errors
/// Where the template cannot be filled, which no input makes it.
pub fn html(gathered: &Gathered, reports: &[PondReport], texts: &Texts) -> Result<String, askama::Error> {
    let words = Words::new(texts, gathered);
    let maker = Maker { gathered, reports, words: &words, t: texts };
    let order = maker.side_order();
    let last = gathered.period.to - jiff::SignedDuration::from_millis(1);
    let period = [gathered.period.from, last].map(|at| words.date(words.date_of(at)));
    let (wording, wording_more) = maker.wording();
    let first_caption = texts.get("first-caption");
    let trials = maker.trials();
    let page = Page {
        t: texts,
        farm: gathered.farm.farm.clone(),
        period: texts.fill("period", &[("from", &period[0]), ("to", &period[1])]),
        made: words.moment(time(&gathered.farm.at)),
        version: gathered.farm.version.clone(),
        lead: maker.lead(),
        ranked: maker.ranked(),
        first: maker.side_by_side(&order, &FIRST_PAGE, first_caption),
        wording,
        wording_more,
        compared: maker.compared(&order),
        shows_caution: texts.language != Language::En && trials.iter().any(|own| own.caution_is_english),
        trials,
        side: maker.side_by_side(&order, &SIDE_BY_SIDE, texts.get("side-caption")),
        ponds: reports.iter().map(|report| maker.pond(report)).collect(),
        alarms: maker.alarms(),
        alarm_period: maker.alarm_period(),
        frequent: maker.frequent(),
        diary: maker.diary(),
        feeds: maker.feeds(),
        audit: maker.audit(),
        audit_more: maker.audit_more(),
        formulas: maker.formulas(),
        limits: maker.limits(),
        cautions: (1..=9).map(|nr| texts.get(&format!("caution-{nr}"))).collect(),
        unknown: maker.unknown(),
        no_energy_price: gathered.facts.energy_price_per_kwh.is_none(),
    };
    page.render()
}

struct Maker<'a> {
    gathered: &'a Gathered,
    reports: &'a [PondReport],
    words: &'a Words<'a>,
    t: &'a Texts,
}

impl Maker<'_> {
    fn cell(&self, report: &PondReport, id: &str) -> Cell {
        let Some(figure) = report.figure(id) else { return Cell::default() };
        Cell {
            text: self.words.figure(figure),
            figure: format!("{}.{id}", report.id),
            is_known: figure.value.is_some(),
            is_english: false,
        }
    }

    fn style(&self, report: &PondReport) -> String {
        let style = self.gathered.facts_of(&report.id).and_then(|facts| facts.style.clone());
        style.unwrap_or_else(|| self.t.get("style-not-said"))
    }

    /// Ponds of one style together, those with doses first.
    fn side_order(&self) -> Vec<&PondReport> {
        let mut order: Vec<&PondReport> = self.reports.iter().collect();
        order.sort_by_key(|report| (self.style(report), report.book.doses() == 0));
        order
    }

    fn head(&self, report: &PondReport) -> String {
        let doses = if report.book.doses() > 0 { "dosed" } else { "not-dosed" };
        format!("{} ({}; {})", self.title(report), self.t.get(doses), self.style(report))
    }

    fn title(&self, report: &PondReport) -> String {
        format!("{} {}", report.id.to_uppercase(), report.name)
    }

    fn side_by_side(&self, order: &[&PondReport], ids: &[&'static str], caption: String) -> Grid {
        let mut heads = vec![self.t.get("head-figure")];
        heads.extend(order.iter().map(|report| self.head(report)));
        let mut grid = Grid::new(caption, heads);
        for id in ids {
            grid.row(self.words.name(id), order.iter().map(|report| self.cell(report, id)).collect());
        }
        grid
    }

    fn lead(&self) -> String {
        let all = rank::ranked(self.gathered, self.reports);
        let need = all.iter().filter(|own| !own.reasons.is_empty()).count();
        let (need, of) = (need.to_string(), all.len().to_string());
        if need == "0" {
            return self.t.fill("lead-none", &[("of", &of)]);
        }
        self.t.fill("lead", &[("need", &need), ("of", &of)])
    }

    fn ranked(&self) -> Vec<Ranked> {
        let all = rank::ranked(self.gathered, self.reports);
        let with = all.into_iter().filter_map(|own| Some((self.reports.get(own.place)?, own.reasons)));
        with.map(|(report, reasons)| Ranked {
            id: report.id.clone(),
            name: self.title(report),
            reasons: if reasons.is_empty() {
                vec![self.t.get("reason-none")]
            } else {
                let told = reasons.iter();
                told.map(|own| self.t.fill(own.key, &[("count", &number(own.count, 0))])).collect()
            },
            figures: ["dawn_min_lowest", "nights_below_warn", "nh3_peak_mg_l", "days_lost_do_mg_l"]
                .map(|id| (self.words.name(id), self.cell(report, id)))
                .to_vec(),
        })
        .collect()
    }

    /// What may be said of the treatment, in the words of its level, and why.
    fn wording(&self) -> (String, String) {
        match &self.gathered.did_it_help {
            DidItHelp::NoTrial => (self.t.get("wording-not-enough"), self.t.get("wording-no-trial")),
            DidItHelp::Trials(trials) => {
                let told = trials
                    .iter()
                    .map(|trial| format!("{}: {}", self.heading(trial), self.t.get(trial.wording.key())));
                (told.collect::<Vec<_>>().join("; "), self.t.get("wording-see"))
            }
        }
    }

    /// What is compared and how.
    fn heading(&self, trial: &Trial) -> String {
        let keys = [format!("outcome-{}", trial.outcome), format!("compared-{}", trial.compared)];
        let keys = keys.map(|key| key.replace('_', "-"));
        if !keys.iter().all(|key| self.t.has(key)) {
            return trial.words.clone();
        }
        let [outcome, compared] = keys.map(|key| self.t.get(&key));
        format!("{outcome} ({compared})")
    }

    fn trials(&self) -> Vec<TrialView> {
        let DidItHelp::Trials(trials) = &self.gathered.did_it_help else { return Vec::new() };
        trials.iter().enumerate().map(|(place, trial)| self.trial(place, trial)).collect()
    }

    fn trial(&self, place: usize, trial: &Trial) -> TrialView {
        let told = |effect: Option<Effect>| {
            effect.map_or_else(
                || self.t.get("missing-no-interval"),
                |Effect { estimate, low, high }| {
                    let [estimate, low, high] =
                        [estimate, low, high].map(|value| number(value, trial.decimals));
                    let unit = &trial.unit;
                    self.t.fill(
                        "trial-effect-told",
                        &[("estimate", &estimate), ("low", &low), ("high", &high), ("unit", unit)],
                    )
                },
            )
        };
        let plain = |key: &str, text: String| (self.t.get(key), Cell::plain(text));
        let is_english = self.t.language == Language::En;
        let sentences = |key: &str, said: &[SaidStatus]| {
            let told: Vec<(String, bool)> = said.iter().map(|own| self.t.told(own)).collect();
            let lines: Vec<&str> = told.iter().map(|(line, _)| line.as_str()).collect();
            let text = if lines.is_empty() { self.t.get("trial-nothing") } else { lines.join("; ") };
            let is_english = if is_english { !said.is_empty() } else { told.iter().any(|own| own.1) };
            (self.t.get(key), Cell { is_english, ..Cell::plain(text) })
        };
        let (caution, caution_is_english) = self.t.told(&trial.caution);
        let [before, after] = trial.days_known.map(|days| days.to_string());
        TrialView {
            heading: self.heading(trial),
            wording: self.t.get(trial.wording.key()),
            plots: self.trial_plot(place, trial).into_iter().collect(),
            lines: vec![
                plain("trial-treated", trial.treated.to_uppercase()),
                plain("trial-control", trial.control.to_uppercase()),
                plain("trial-chosen-by", trial.chosen_by.clone()),
                plain("trial-effect", told(trial.effect)),
                plain("trial-usual", told(trial.usual)),
                plain(
                    "trial-days",
                    self.t.fill("trial-days-told", &[("before", &before), ("after", &after)]),
                ),
                plain("trial-days-lost", trial.days_lost.to_string()),
                sentences("trial-reasons", &trial.reasons),
                sentences("trial-confounders", &trial.confounders),
                sentences("trial-method", &trial.method),
            ],
            caution,
            caution_is_english: is_english || caution_is_english,
        }
    }

    fn pond(&self, report: &PondReport) -> PondView {
        let (plots, empty) = self.plots(report);
        let mut figures = Grid::new(
            self.t.fill("figures-caption", &[("pond", &self.title(report))]),
            ["head-figure", "head-value", "head-from"].map(|key| self.t.get(key)).to_vec(),
        );
        let of_crop = report.figures.iter().filter(|figure| {
            !COMPLETENESS.iter().any(|(share, lost)| figure.id == *share || figure.id == *lost)
        });
        for figure in of_crop {
            let from = Cell::plain(self.words.from(&figure.from));
            figures.row(self.words.name(figure.id), vec![self.cell(report, figure.id), from]);
        }
        PondView {
            id: report.id.clone(),
            name: self.title(report),
            about: self.about(report),
            plots,
            empty,
            figures,
            costs: self.costs(&report.book, report),
            unpriced: report.book.unpriced.iter().map(|kind| self.kind(*kind)).collect(),
            completeness: self.completeness(report),
        }
    }

    fn about(&self, report: &PondReport) -> String {
        let Some(facts) = self.gathered.facts_of(&report.id) else { return String::new() };
        let crop = report.book.crop.map_or_else(
            || self.t.get("crop-none"),
            |crop| {
                let from = self.words.date(self.words.date_of(crop.stocked_at));
                match crop.ended_at {
                    Some(end) => {
                        let to = self.words.date(self.words.date_of(end));
                        self.t.fill("crop-ended", &[("from", &from), ("to", &to)])
                    }
                    None => self.t.fill("crop-running", &[("from", &from)]),
                }
            },
        );
        let like = facts.like.as_deref().map_or_else(|| "–".to_owned(), str::to_uppercase);
        self.t.fill(
            "pond-about",
            &[
                ("species", &facts.species),
                ("stage", &facts.stage),
                ("style", &self.style(report)),
                ("area", &number(facts.area_m2, 0)),
                ("depth", &number(facts.depth_m, 2)),
                ("like", &like),
                ("crop", &crop),
            ],
        )
    }

    fn kind(&self, kind: Kind) -> String {
        self.t.get(&format!("cost-{}", kind.id()))
    }

    fn costs(&self, book: &Book, report: &PondReport) -> Grid {
        let heads = ["head-cost", "head-amount", "head-how", "head-entries"].map(|key| self.t.get(key));
        let mut grid =
            Grid::new(self.t.fill("costs-caption", &[("pond", &self.title(report))]), heads.to_vec());
        for line in &book.costs {
            let name = if line.is_priced || line.kind == Kind::Other {
                if line.is_priced { self.kind(line.kind) } else { line.item.clone() }
            } else {
                format!("{} ({})", self.kind(line.kind), line.item)
            };
            let how = self.t.get(if line.is_priced { "by-price" } else { "by-record" });
            let entries: Vec<String> = line.entries.iter().map(ToString::to_string).collect();
            let amount = self.words.value(line.amount, super::figures::MONEY, 0);
            grid.row(name, vec![Cell::plain(amount), Cell::plain(how), Cell::plain(entries.join(", "))]);
        }
        grid
    }

    fn completeness(&self, report: &PondReport) -> Grid {
        let heads = [
            "head-quantity",
            "head-valid",
            "head-days-lost",
            "head-usable",
            "head-suspect",
            "head-failed",
            "head-missing",
        ];
        let caption = self.t.fill(
            "completeness-caption",
            &[("pond", &self.title(report)), ("share", &number(100.0 * VALID_SHARE, 0))],
        );
        let mut grid = Grid::new(caption, heads.map(|key| self.t.get(key)).to_vec());
        for (quantity, (share, lost)) in QUANTITIES.into_iter().zip(COMPLETENESS) {
            let seen = report.days.iter().filter_map(|day| day.seen.get(quantity).copied());
            let seen = seen.fold(super::days::Seen::default(), super::days::Seen::and);
            let mut cells = vec![self.cell(report, share), self.cell(report, lost)];
            let counts = [seen.usable, seen.suspect, seen.failed, seen.missing];
            cells.extend(counts.map(|count| Cell::plain(number(f64::from(count), 0))));
            grid.row(self.words.quantity(quantity), cells);
        }
        grid
    }

    fn formulas(&self) -> Grid {
        let heads = ["head-figure", "head-formula"].map(|key| self.t.get(key)).to_vec();
        let mut grid = Grid::new(self.t.get("formulas-caption"), heads);
        let figures = self.reports.first().map_or(&[][..], |report| &report.figures);
        for figure in figures {
            let key = format!("formula-{}", figure.id);
            let is_of_all =
                COMPLETENESS.iter().any(|(share, lost)| figure.id == *share || figure.id == *lost);
            if !is_of_all {
                grid.row(self.words.name(figure.id), vec![Cell::plain(self.t.get(&key))]);
            }
        }
        grid.row(self.t.get("head-valid"), vec![Cell::plain(self.t.get("formula-valid"))]);
        grid.row(self.t.get("head-days-lost"), vec![Cell::plain(self.t.get("formula-days_lost"))]);
        grid
    }

    fn unknown(&self) -> Vec<(String, Vec<String>)> {
        let of_pond = |report: &PondReport| {
            let missing = report.figures.iter().filter(|figure| figure.value.is_none());
            let told: Vec<String> = missing
                .map(|figure| format!("{}: {}", self.words.name(figure.id), self.words.figure(figure)))
                .collect();
            (self.title(report), told)
        };
        self.reports.iter().map(of_pond).filter(|(_, told)| !told.is_empty()).collect()
    }
}

mod lists;
