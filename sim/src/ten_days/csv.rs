//! The recording of one pond as CSV, as `pondreeve replay` reads it.

use std::collections::BTreeMap;
use std::io::{self, Write};

use super::{Act, Happening, PROBES, Recording};

/// Ids of the ponds, in order.
pub const PONDS: [&str; 4] = ["p1", "p2", "p3", "p4"];

/// Columns in order. Whether aerators run is left out: a replay knows one value of each quantity, and a pond
/// has several groups.
const COLUMNS: [&str; 11] = [
    "do_mg_l",
    "temperature_c",
    "ph",
    "salinity_psu",
    "conductivity_ms_cm",
    "depth_m",
    "pressure_hpa",
    "par_umol_m2_s",
    "tan_mg_l",
    "alkalinity_mg_l",
    "secchi_cm",
];

/// Writes the recording of a pond (its position) as CSV. Where two probes report the same, the first counts;
/// what people enter of a quantity that a probe reports is left out.
///
/// # Errors
/// When `out` fails.
pub fn write(pond: usize, out: &mut impl Write) -> io::Result<()> {
    let of_probes = |quantity: &str| {
        PROBES.iter().position(|probe| {
            probe.pond.is_none_or(|own| own == pond)
                && probe.aerator.is_none()
                && probe.quantities.contains(&quantity)
        })
    };
    let columns: Vec<&str> = COLUMNS
        .into_iter()
        .filter(|column| of_probes(column).is_some() || is_entered(pond, column))
        .collect();
    writeln!(out, "time_utc,{}", columns.join(","))?;
    let mut row: BTreeMap<&str, f64> = BTreeMap::new();
    let mut row_at: Option<i64> = None;
    for (at_ms, happening) in Recording::new() {
        if let Some(before) = row_at.filter(|&before| before != at_ms) {
            write_row(out, before, &columns, &row)?;
            row.clear();
        }
        row_at = Some(at_ms);
        match happening {
            Happening::Sweep(readings) => {
                let own = readings.into_iter().filter(|own| of_probes(own.quantity) == Some(own.probe));
                row.extend(own.map(|own| (own.quantity, own.value)));
            }
            Happening::Person(_, Act::Enters(of, quantity, value))
                if of == pond && of_probes(quantity).is_none() =>
            {
                row.insert(quantity, value);
            }
            Happening::Person(..) => {}
        }
    }
    row_at.map_or(Ok(()), |at_ms| write_row(out, at_ms, &columns, &row))
}

fn is_entered(pond: usize, column: &str) -> bool {
    // What a meter shows for a moment is no column: a replay would take it for a probe that falls silent.
    let is_meter = PROBES.iter().any(|probe| probe.quantities.contains(&column));
    !is_meter
        && super::story::acts().iter().any(
            |(_, _, act)| matches!(act, Act::Enters(of, quantity, _) if *of == pond && *quantity == column),
        )
}

fn write_row(
    out: &mut impl Write,
    at_ms: i64,
    columns: &[&str],
    row: &BTreeMap<&str, f64>,
) -> io::Result<()> {
    if !columns.iter().any(|column| row.contains_key(column)) {
        return Ok(());
    }
    let at = jiff::Timestamp::from_millisecond(at_ms).map_err(io::Error::other)?;
    write!(out, "{at}")?;
    for column in columns {
        match row.get(column) {
            Some(value) => write!(out, ",{value}")?,
            None => write!(out, ",")?,
        }
    }
    writeln!(out)
}

#[cfg(test)]
mod tests {
    use super::write;

    #[test]
    fn a_pond_is_written_minute_by_minute() {
        let mut out = Vec::new();
        write(3, &mut out).expect("a vector takes all");
        let text = String::from_utf8(out).expect("text");
        let mut lines = text.lines();
        let header = "time_utc,do_mg_l,temperature_c,salinity_psu,pressure_hpa,par_umol_m2_s,alkalinity_mg_l";
        assert_eq!(lines.next(), Some(header));
        // From six in the morning of day 1 to the end of day 10: 9 days and 18 hours.
        assert_eq!(lines.clone().count(), (9 * 24 + 18) * 60);
        assert!(lines.clone().next().is_some_and(|line| line.starts_with("2026-03-17T11:00:00Z,")));
        // What the kit says: an alkalinity of 82 at 06:10 on day 6.
        assert!(lines.any(|line| line.starts_with("2026-03-22T11:10:00Z,") && line.ends_with(",82")));
    }
}
