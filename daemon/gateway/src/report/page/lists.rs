//! The lists of the page: alarm measures, diary, audit trail, limits in force.

use super::super::parts::number;
use super::super::{figures::MONEY, time};
use super::{Cell, Grid, MOST_AUDIT, MOST_FEEDS, Maker};
use crate::local::diary::DeedStatus;

impl Maker<'_> {
    pub(super) fn alarm_period(&self) -> String {
        let load = &self.gathered.alarm_load;
        let days = [&load.from, &load.to].map(|at| self.words.moment(time(at)));
        self.t.fill("alarms-period", &[("from", &days[0]), ("to", &days[1])])
    }

    /// What the alarms asked of people, beside what is aimed at.
    pub(super) fn alarms(&self) -> Grid {
        let load = &self.gathered.alarm_load;
        let heads = ["head-measure", "head-measured", "head-aim"].map(|key| self.t.get(key)).to_vec();
        let mut grid = Grid::new(self.t.get("alarms-caption"), heads);
        let percent = |share: f64| format!("{} %", number(100.0 * share, 1));
        let [critical, high, medium] = load.raised_by_priority;
        let waited = load.acknowledged_after_s.map_or_else(
            || self.t.get("missing-not-recorded"),
            |after| format!("{} min", number(after as f64 / 60.0, 1)),
        );
        for (key, measured) in [
            ("alarms-per-day", number(load.raised_per_day, 1)),
            ("alarms-per-night", number(load.raised_per_night, 1)),
            ("alarms-most", load.most_in_10_min.to_string()),
            ("alarms-flooded", percent(load.flooded_share)),
            ("alarms-priorities", format!("{critical}, {high}, {medium}")),
            ("alarms-frequent", percent(load.most_frequent_share)),
            ("alarms-chattering", load.chattering.len().to_string()),
            ("alarms-stale", load.stale.len().to_string()),
            ("alarms-shelved", format!("{}; {}", load.shelved.len(), load.shelvings)),
            ("alarms-acknowledged", waited),
        ] {
            let aim = self.t.get(&format!("{key}-aim"));
            grid.row(self.t.get(key), vec![Cell::plain(measured), Cell::plain(aim)]);
        }
        grid
    }

    pub(super) fn frequent(&self) -> String {
        let own = self.gathered.alarm_load.most_frequent.iter();
        let told: Vec<String> = own.map(|alarm| format!("{} × {}", alarm.raised, alarm.id)).collect();
        if told.is_empty() {
            String::new()
        } else {
            self.t.fill("alarms-list", &[("list", &told.join(", "))])
        }
    }

    fn told_in_period(&self) -> Vec<&DeedStatus> {
        let own = self.gathered.deeds.iter();
        own.filter(|deed| self.gathered.period.has(time(&deed.at))).collect()
    }

    fn lists_feeds(&self) -> bool {
        self.told_in_period().iter().filter(|deed| deed.kind == "feed").count() <= MOST_FEEDS
    }

    pub(super) fn diary(&self) -> Grid {
        let heads = ["head-time", "head-pond", "head-entry", "head-kind", "head-what", "head-by"];
        let mut grid = Grid::new(self.t.get("diary-caption"), heads.map(|key| self.t.get(key)).to_vec());
        let lists_feeds = self.lists_feeds();
        for deed in self.told_in_period() {
            if deed.kind == "feed" && !lists_feeds {
                continue;
            }
            let (words, is_english) = self.words.deed(deed);
            let fate = self.words.fate(deed);
            let text = if fate.is_empty() { words } else { format!("{words} – {fate}") };
            let number = deed.number.map(|number| number.to_string()).unwrap_or_default();
            let pond = deed.pond.as_deref().unwrap_or_default().to_uppercase();
            let what = Cell { text, is_known: true, is_english, ..Cell::default() };
            let key = format!("deed-{}", deed.kind);
            let kind = Cell::plain(if self.t.has(&key) { self.t.get(&key) } else { deed.kind.clone() });
            grid.row(
                self.words.done(deed),
                vec![Cell::plain(pond), Cell::plain(number), kind, what, Cell::plain(&deed.by)],
            );
        }
        grid
    }

    /// Feedings, where they are not listed.
    pub(super) fn feeds(&self) -> String {
        if self.lists_feeds() {
            return String::new();
        }
        let feeds = self.told_in_period().into_iter().filter(|deed| deed.kind == "feed");
        let counted: Vec<&DeedStatus> = feeds.filter(|deed| super::super::books::counts(deed)).collect();
        let kg: f64 =
            counted.iter().filter_map(|deed| deed.values.get("kg").and_then(serde_json::Value::as_f64)).sum();
        self.t.fill("diary-feeds", &[("count", &counted.len().to_string()), ("kg", &number(kg, 0))])
    }

    pub(super) fn audit(&self) -> Grid {
        let heads = [
            "head-record",
            "head-time",
            "head-by",
            "head-action",
            "head-object",
            "head-change",
            "head-reason",
        ];
        let mut grid = Grid::new(self.t.get("audit-caption"), heads.map(|key| self.t.get(key)).to_vec());
        let lines = &self.gathered.audit;
        for line in lines.iter().skip(lines.len().saturating_sub(MOST_AUDIT)) {
            let change = |old: &str, new: &str| match (old, new) {
                ("", new) => new.to_owned(),
                (old, "") => format!("{old} → –"),
                (old, new) => format!("{old} → {new}"),
            };
            let (old, new) = (self.t.audit_field(&line.old), self.t.audit_field(&line.new));
            let change = self.kept(change(&old, &new), &change(&line.old, &line.new));
            let field = |text: &str| self.kept(self.t.audit_field(text), text);
            grid.row(
                line.record.to_string(),
                vec![
                    Cell::plain(self.words.moment(time(&line.at))),
                    Cell::plain(&line.user),
                    field(&line.action),
                    field(&line.object),
                    change,
                    field(&line.reason),
                ],
            );
        }
        grid
    }

    /// What was kept in English, as far as it is known in the report's language; marked where none of it is.
    fn kept(&self, told: String, english: &str) -> Cell {
        let is_english = told == english && english.contains(' ');
        Cell { is_english, ..Cell::plain(told) }
    }

    pub(super) fn audit_more(&self) -> String {
        let (records, hash) = &self.gathered.audit_head;
        let shown = self.gathered.audit.len().min(MOST_AUDIT);
        self.t.fill(
            "audit-more",
            &[
                ("shown", &shown.to_string()),
                ("period", &self.gathered.audit.len().to_string()),
                ("records", &records.to_string()),
                ("hash", hash),
            ],
        )
    }

    /// Each limit once, with its value for each pond and its source.
    pub(super) fn limits(&self) -> Grid {
        let ponds: Vec<_> =
            self.reports.iter().filter_map(|report| self.gathered.facts_of(&report.id)).collect();
        let mut heads = vec![self.t.get("head-limit")];
        heads.extend(ponds.iter().map(|pond| pond.id.to_uppercase()));
        heads.push(self.t.get("head-source"));
        let mut grid = Grid::new(self.t.get("limits-caption"), heads);
        let mut keys: Vec<&str> =
            ponds.iter().flat_map(|pond| &pond.limits).map(|limit| limit.key.as_str()).collect();
        keys.sort_unstable();
        keys.dedup();
        for key in keys {
            let of = |pond: &crate::local::protocol::PondFacts| {
                pond.limits.iter().find(|limit| limit.key == key).cloned()
            };
            let mut cells: Vec<Cell> = ponds
                .iter()
                .map(|pond| Cell::plain(of(pond).map_or_else(String::new, |own| own.value)))
                .collect();
            let mut sources: Vec<String> = ponds.iter().filter_map(|pond| of(pond)?.source).collect();
            sources.dedup();
            let told: Vec<String> = sources.iter().map(|own| self.t.recognised(own)).collect();
            cells.push(self.kept(told.join(" / "), &sources.join(" / ")));
            grid.row(key, cells);
        }
        if let Some(price) = self.gathered.facts.energy_price_per_kwh {
            let mut cells = vec![Cell::plain(format!("{price} {}/kWh", self.words.unit(MONEY))); ponds.len()];
            cells.push(Cell::plain(self.t.get("from-farm-table")));
            grid.row("energy_price_per_kwh", cells);
        }
        grid
    }
}
