//! Probe profiles: the register map of one kind of probe, as TOML.
//!
//! A profile is walked key by key rather than deserialised, so that everything that is wrong with it is
//! reported at once, each with its line and column. Units that can be turned into the quantity's own are
//! turned here, once: a profile may say `S/m` for a probe that reports it.

use std::ops::Range;
use std::sync::Arc;

use pondreeve_core::Quantity;
use pondreeve_protocol::register_map::{
    GAP_DEFAULT, MapError, Number, Register, RegisterMap, Table, WordOrder,
};
use pondreeve_protocol::reported::{Reported, loop_scaling};
use pondreeve_protocol::sdi12::SensorMap;
use pondreeve_protocol::text_line::LineMap;
use pondreeve_protocol::unit;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::Problem;

mod kinds;

/// Channel of a register that holds the salinity an oxygen probe is set to.
pub const SET_SALINITY: &str = "set_salinity_psu";

/// Registers that one profile may have: far more than any probe, and a bound on what one poll costs.
const REGISTERS_MAX: usize = 256;

/// Longest gap that may be read along; a longer one costs more than a request of its own.
const GAP_MAX: i64 = 100;

const TOP_KEYS: &[&str] = &["id", "description", "kind", "gap", "register"];
const REGISTER_KEYS: &[&str] = &[
    "channel", "table", "address", "number", "order", "scale", "offset", "unit", "no_value", "range", "loop",
];

/// A profile of any kind.
#[derive(Debug, Clone, PartialEq)]
pub enum Profile {
    /// Registers of a Modbus probe.
    Registers(Arc<RegisterMap>),
    /// Values of an SDI-12 sensor.
    Sensor(Arc<SensorMap>),
    /// Lines of text.
    Text(Arc<LineMap>),
}

impl Profile {
    /// Its id.
    pub fn id(&self) -> &str {
        match self {
            Self::Registers(map) => &map.id,
            Self::Sensor(map) => &map.id,
            Self::Text(map) => &map.id,
        }
    }

    /// What it describes, for people.
    pub fn description(&self) -> &str {
        match self {
            Self::Registers(map) => &map.description,
            Self::Sensor(map) => &map.description,
            Self::Text(map) => &map.description,
        }
    }

    /// What kind of line it belongs to, in words.
    pub const fn belongs(&self) -> &'static str {
        match self {
            Self::Registers(_) => "Modbus",
            Self::Sensor(_) => "SDI-12",
            Self::Text(_) => "lines of text",
        }
    }
}

/// Reads a profile of any kind.
///
/// `file` is its path as the user named it, for the messages.
///
/// # Errors
/// Every problem of the profile, in the order of the file.
pub fn parse_any(text: &str, file: &str) -> Result<Profile, Vec<Problem>> {
    let mut walk = Walk { text, file, problems: Vec::new() };
    let (root, syntax) = DeTable::parse_recoverable(text);
    for error in &syntax {
        let offset = error.span().map_or(0, |span| span.start);
        walk.report(offset, error.message().replace('\n', " "), "TOML, as https://toml.io describes it");
    }
    if !syntax.is_empty() {
        // Half a table would only bring problems that are not there.
        return Err(walk.problems);
    }
    let root = root.get_ref();
    let kinds = [("modbus", 0_u8), ("sdi12", 1), ("text", 2)];
    let kind = if root.contains_key("kind") { walk.word(root, "kind", None, &kinds) } else { Some(0) };
    let found = match kind {
        Some(0) => walk.profile(root).map(|map| Profile::Registers(Arc::new(map))),
        Some(1) => walk.sensor(root).map(|map| Profile::Sensor(Arc::new(map))),
        Some(_) => walk.lines(root).map(|map| Profile::Text(Arc::new(map))),
        None => None,
    };
    match (found, walk.problems.is_empty()) {
        (Some(found), true) => Ok(found),
        _ => {
            walk.problems.sort_by_key(|problem| (problem.line, problem.column));
            Err(walk.problems)
        }
    }
}

/// Reads the register map of a Modbus probe.
///
/// # Errors
/// As [`parse_any`], and for a profile of another kind.
pub fn parse(text: &str, file: &str) -> Result<RegisterMap, Vec<Problem>> {
    match parse_any(text, file)? {
        Profile::Registers(map) => Ok(Arc::unwrap_or_clone(map)),
        other => {
            let found = format!("a profile for {}", other.belongs());
            Err(vec![Problem::at(
                file,
                text,
                0,
                found,
                "a profile for Modbus, with `[[register]]`".to_owned(),
            )])
        }
    }
}

struct Walk<'a> {
    text: &'a str,
    file: &'a str,
    problems: Vec<Problem>,
}

impl Walk<'_> {
    fn report(&mut self, offset: usize, found: String, accepted: impl Into<String>) {
        self.problems.push(Problem::at(self.file, self.text, offset, found, accepted.into()));
    }

    fn unknown_keys(&mut self, table: &DeTable<'_>, known: &[&str]) {
        for key in table.keys() {
            if !known.contains(&key.get_ref().as_ref()) {
                self.report(
                    key.span().start,
                    format!("unknown key `{}`", key.get_ref()),
                    format!("`{}`", known.join("`, `")),
                );
            }
        }
    }

    /// The value of a key; its absence is reported at `place` when it is required.
    fn value<'t, 'i>(
        &mut self,
        table: &'t DeTable<'i>,
        key: &str,
        required_at: Option<usize>,
        accepted: &str,
    ) -> Option<&'t Spanned<DeValue<'i>>> {
        let value = table.get(key);
        if let (None, Some(offset)) = (value, required_at) {
            self.report(offset, format!("no `{key}`"), accepted);
        }
        value
    }

    fn wrong(&mut self, value: &Spanned<DeValue<'_>>, key: &str, accepted: impl Into<String>) {
        let shown: String =
            self.text.get(value.span()).unwrap_or("").lines().next().unwrap_or("").chars().take(60).collect();
        self.report(value.span().start, format!("`{key} = {shown}`"), accepted);
    }

    fn text(
        &mut self,
        table: &DeTable<'_>,
        key: &str,
        required_at: Option<usize>,
        accepted: &str,
    ) -> Option<String> {
        let value = self.value(table, key, required_at, accepted)?;
        match value.get_ref().as_str() {
            Some(text) if !text.trim().is_empty() || key == "unit" => Some(text.to_owned()),
            _ => {
                self.wrong(value, key, accepted);
                None
            }
        }
    }

    /// One word of a fixed list.
    fn word<T: Copy>(
        &mut self,
        table: &DeTable<'_>,
        key: &str,
        required_at: Option<usize>,
        words: &[(&str, T)],
    ) -> Option<T> {
        let names: Vec<&str> = words.iter().map(|(name, _)| *name).collect();
        let accepted = format!("`\"{}\"`", names.join("\"`, `\""));
        let value = self.value(table, key, required_at, &accepted)?;
        let found = value.get_ref().as_str().and_then(|text| words.iter().find(|(name, _)| *name == text));
        if found.is_none() {
            self.wrong(value, key, accepted);
        }
        found.map(|(_, word)| *word)
    }

    fn whole(
        &mut self,
        table: &DeTable<'_>,
        key: &str,
        required_at: Option<usize>,
        range: Range<i64>,
    ) -> Option<i64> {
        let accepted = format!("a whole number from {} to {}", range.start, range.end - 1);
        let value = self.value(table, key, required_at, &accepted)?;
        let found = integer(value.get_ref()).filter(|number| range.contains(number));
        if found.is_none() {
            self.wrong(value, key, accepted);
        }
        found
    }

    fn number(&mut self, table: &DeTable<'_>, key: &str, default: f64, zero_fits: bool) -> Option<f64> {
        let accepted = if zero_fits { "a finite number" } else { "a finite number other than 0" };
        let Some(value) = table.get(key) else { return Some(default) };
        let found = number(value.get_ref()).filter(|x| x.is_finite() && (zero_fits || *x != 0.0));
        if found.is_none() {
            self.wrong(value, key, accepted);
        }
        found
    }

    fn profile(&mut self, root: &DeTable<'_>) -> Option<RegisterMap> {
        self.unknown_keys(root, TOP_KEYS);
        let id = self.text(
            root,
            "id",
            Some(0),
            "a short name of lower case letters, digits and `-`, such as `id = \"optical-oxygen\"`",
        );
        if let (Some(id), Some(value)) = (&id, root.get("id"))
            && !id.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-')
        {
            self.wrong(value, "id", "lower case letters, digits and `-`");
        }
        let description = self.text(root, "description", Some(0), "a line that says which probe it is");
        let gap = match self.whole(root, "gap", None, 0..GAP_MAX + 1) {
            Some(gap) => u16::try_from(gap).ok(),
            None => Some(GAP_DEFAULT),
        };
        let accepted = "at least one table `[[register]]`";
        let list = self.value(root, "register", Some(0), accepted)?;
        let Some(items) = list.get_ref().as_array().filter(|items| !items.is_empty()) else {
            self.wrong(list, "register", accepted);
            return None;
        };
        if items.len() > REGISTERS_MAX {
            self.report(
                list.span().start,
                format!("{} registers", items.len()),
                format!("at most {REGISTERS_MAX}"),
            );
            return None;
        }
        let mut registers: Vec<Register> = Vec::new();
        let mut sound = true;
        for item in items {
            let place = item.span().start;
            let Some(table) = item.get_ref().as_table() else {
                self.report(place, "a register that is not a table".into(), "tables `[[register]]`");
                sound = false;
                continue;
            };
            let Some(register) = self.register(table, place) else {
                sound = false;
                continue;
            };
            if registers.iter().any(|other| other.channel == register.channel) {
                let place = table.get("channel").map_or(place, |value| value.span().start);
                self.report(
                    place,
                    format!("`{}` is read from two registers", register.channel),
                    "each channel once in a profile: one probe has one value of a quantity; describe a \
                     device with several sensors of one kind as several probes, each with its own profile",
                );
            }
            registers.push(register);
        }
        if let Some(setting) = items.iter().find_map(|item| {
            let channel = item.get_ref().as_table()?.get("channel")?;
            (channel.get_ref().as_str() == Some(SET_SALINITY)).then_some(channel)
        }) && !registers.iter().any(|register| register.channel == Quantity::DoMgL.id())
        {
            let accepted = "it beside a register with `channel = \"do_mg_l\"`, whose setting it is";
            self.report(
                setting.span().start,
                format!("`{SET_SALINITY}` of a probe that reports no oxygen"),
                accepted,
            );
        }
        let map = RegisterMap { id: id?, description: description?, registers, gap: gap? };
        if let Err(MapError::PastEnd { .. }) = map.plan() {
            // Reported where the register stands, in `register`.
            sound = false;
        }
        sound.then_some(map)
    }

    fn register(&mut self, table: &DeTable<'_>, place: usize) -> Option<Register> {
        self.unknown_keys(table, REGISTER_KEYS);
        let here = Some(place);
        let value = self.reported(table, place);
        let tables = [("holding", Table::Holding), ("input", Table::Input)];
        let table_word = self.word(table, "table", here, &tables);
        let address = self.whole(table, "address", here, 0..65_536);
        let numbers = [
            ("i16", Number::I16),
            ("u16", Number::U16),
            ("i32", Number::I32),
            ("u32", Number::U32),
            ("f32", Number::F32),
        ];
        let number = self.word(table, "number", here, &numbers);
        let orders = [
            ("abcd", WordOrder::Abcd),
            ("cdab", WordOrder::Cdab),
            ("badc", WordOrder::Badc),
            ("dcba", WordOrder::Dcba),
        ];
        // A number of two registers has no order that can be called usual, and a wrong guess gives a
        // wrong value rather than an error: it must be said.
        let order_required = number.is_some_and(|number| number.registers() > 1).then_some(place);
        let order = match self.word(table, "order", order_required, &orders) {
            None if order_required.is_none() && !table.contains_key("order") => Some(WordOrder::default()),
            order => order,
        };
        if let (Some(first), Some(number)) = (address, number)
            && first + i64::from(number.registers()) > 65_536
            && let Some(value) = table.get("address")
        {
            self.wrong(value, "address", "0 to 65534 for a number of two registers");
            return None;
        }
        let value = value?;
        Some(Register {
            channel: value.channel,
            table: table_word?,
            address: u16::try_from(address?).ok()?,
            number: number?,
            order: order?,
            scale: value.scale,
            offset: value.offset,
            unit: value.unit,
            no_value: value.no_value,
            range: value.range,
        })
    }

    /// What a raw number stands for: the keys that all kinds of probes have in common.
    fn reported(&mut self, table: &DeTable<'_>, place: usize) -> Option<Reported> {
        let here = Some(place);
        let channel = self.text(table, "channel", here, "a measured quantity, such as `do_mg_l`");
        let quantity = channel
            .as_deref()
            .and_then(
                |id| if id == SET_SALINITY { Some(Quantity::SalinityPsu) } else { Quantity::from_id(id) },
            )
            .filter(|found| !found.is_derived());
        if let (Some(_), None, Some(value)) = (&channel, quantity, table.get("channel")) {
            let ids: Vec<&str> =
                Quantity::ALL.iter().filter(|q| !q.is_derived()).map(|quantity| quantity.id()).collect();
            self.wrong(
                value,
                "channel",
                format!("a measured quantity: {}; or {SET_SALINITY}, a setting", ids.join(", ")),
            );
        }
        let scale = self.number(table, "scale", 1.0, false);
        let offset = self.number(table, "offset", 0.0, true);
        let unit = self.text(table, "unit", here, "the unit after scaling, such as `unit = \"mg/L\"`");
        let conversion = match (&unit, quantity) {
            (Some(unit), Some(quantity)) => {
                let conversion = unit::conversion(unit, quantity.unit());
                if let (None, Some(value)) = (conversion, table.get("unit")) {
                    let spellings = unit::spellings(quantity.unit());
                    self.wrong(value, "unit", format!("a unit of `{}`: {spellings}", quantity.id()));
                }
                conversion
            }
            _ => None,
        };
        let no_value = self.no_value(table);
        let own_range =
            self.pair(table, "range", "[lowest, highest] raw number that is a measurement, rising");
        let ends = self.pair(table, "loop", "[value at 4 mA, value at 20 mA], two different numbers");
        if let Some(value) = table.get("range").filter(|_| own_range.is_some_and(|(low, high)| low >= high)) {
            self.wrong(value, "range", "[lowest, highest] raw number that is a measurement, rising");
            return None;
        }
        if let Some(value) = table.get("loop") {
            if ends.is_some_and(|(low, high)| low == high) {
                self.wrong(value, "loop", "[value at 4 mA, value at 20 mA], two different numbers");
                return None;
            }
            if let Some(offset) = table.get("offset") {
                self.wrong(
                    offset,
                    "offset",
                    "no `offset` beside `loop`: `scale` turns the raw number into mA",
                );
                return None;
            }
        }
        if table.contains_key("range") && own_range.is_none() || table.contains_key("loop") && ends.is_none()
        {
            return None;
        }
        let conversion = conversion?;
        let (scale, offset, range) = match ends {
            Some((low, high)) => {
                let (scale, offset, range) = loop_scaling(scale?, low, high);
                (scale, offset, Some(own_range.unwrap_or(range)))
            }
            None => (scale?, offset?, own_range),
        };
        Some(Reported {
            channel: channel?,
            scale: scale * conversion.scale,
            offset: offset * conversion.scale + conversion.offset,
            unit: quantity?.unit().to_owned(),
            no_value: no_value?,
            range,
        })
    }

    /// Two numbers.
    fn pair(&mut self, table: &DeTable<'_>, key: &str, accepted: &str) -> Option<(f64, f64)> {
        let value = table.get(key)?;
        let items = value.get_ref().as_array().map(|items| -> Vec<f64> {
            items.iter().filter_map(|item| number(item.get_ref())).filter(|x| x.is_finite()).collect()
        });
        match items.as_deref() {
            Some([low, high]) => Some((*low, *high)),
            _ => {
                self.wrong(value, key, accepted);
                None
            }
        }
    }

    fn no_value(&mut self, table: &DeTable<'_>) -> Option<Vec<f64>> {
        let accepted = "a list of raw numbers, such as `no_value = [0x7FFF, -9999.0]`";
        let Some(value) = table.get("no_value") else { return Some(Vec::new()) };
        let Some(items) = value.get_ref().as_array() else {
            self.wrong(value, "no_value", accepted);
            return None;
        };
        let mut raws = Vec::new();
        for item in items {
            match number(item.get_ref()).filter(|raw| raw.is_finite()) {
                Some(raw) => raws.push(raw),
                None => self.wrong(item, "no_value", format!("{accepted}; NaN is always refused")),
            }
        }
        (raws.len() == items.len()).then_some(raws)
    }
}

fn integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    match value.as_float() {
        Some(float) => float.as_str().parse().ok(),
        None => integer(value).map(|integer| integer as f64),
    }
}

#[cfg(test)]
mod tests;
