//! Lines in, lines out. Expected numbers are hand-typed from published tables.

use super::{LONGEST_LINE, run};
use serde_json::Value;
use std::io::{BufReader, Read};

fn calc(input: &str) -> (Vec<Value>, bool) {
    let mut output = Vec::new();
    let good = run(input.as_bytes(), &mut output).expect("writing to memory");
    let text = String::from_utf8(output).expect("UTF-8");
    assert!(text.is_empty() || text.ends_with('\n'));
    (text.lines().map(|line| serde_json::from_str(line).expect("each answer is JSON")).collect(), good)
}

fn one(input: &str) -> Value {
    let (mut answers, good) = calc(input);
    assert_eq!(answers.len(), 1, "one line, one answer");
    assert_eq!(good, answers[0].get("error").is_none());
    answers.remove(0)
}

fn error(input: &str) -> String {
    let answer = one(input);
    assert_eq!(answer.as_object().expect("an object").len(), 1, "an error stands alone: {answer}");
    answer["error"].as_str().unwrap_or_else(|| panic!("no error: {answer}")).to_owned()
}

fn number(answer: &Value, field: &str) -> f64 {
    answer[field].as_f64().unwrap_or_else(|| panic!("no {field} in {answer}"))
}

#[test]
fn oxygen_at_saturation_is_apha_s() {
    let answer = one(
        r#"{"compute":"oxygen_saturation","temperature_c":25,"salinity_psu":0,"pressure_hpa":1013.25,"do_mg_l":4.1315}"#,
    );
    assert!((number(&answer, "do_saturation_mg_l") - 8.263).abs() < 0.001);
    assert!((number(&answer, "do_saturation_percent") - 50.0).abs() < 0.01);
    assert_eq!(answer.as_object().expect("an object").len(), 2, "inputs are not repeated");
}

#[test]
fn the_ph_scale_is_said_and_chosen() {
    let line = |scale: &str| {
        one(&format!(
            r#"{{"compute":"un_ionised_ammonia","temperature_c":25,"ph":8,"salinity_psu":35,"tan_mg_l":2{scale}}}"#
        ))
    };
    // pKa at 35 PSU and 25 °C: 9.353 on the free scale, 9.246 on the total.
    let (nbs, total) = (line(""), line(r#","ph_scale":"total""#));
    assert_eq!((&nbs["ph_scale"], &total["ph_scale"]), (&Value::from("nbs"), &Value::from("total")));
    assert!((number(&nbs, "nh3_fraction") / (1.0 / (1.0 + 10f64.powf(1.353))) - 1.0).abs() < 0.011);
    assert!((number(&total, "nh3_fraction") / (1.0 / (1.0 + 10f64.powf(1.246))) - 1.0).abs() < 0.002);
    assert!((number(&nbs, "nh3_n_mg_l") / number(&nbs, "nh3_fraction") - 2.0).abs() < 1e-12);
}

#[test]
fn null_is_left_out() {
    let with = one(
        r#"{"compute":"un_ionised_ammonia","temperature_c":25,"ph":8,"salinity_psu":5,"tan_mg_l":null,"ph_scale":null}"#,
    );
    assert!(with.get("nh3_n_mg_l").is_none());
    let missing = error(r#"{"compute":"un_ionised_ammonia","temperature_c":null,"ph":8,"salinity_psu":5}"#);
    assert_eq!(missing, "temperature_c is missing, accepted is 0 to 40 °C");
}

#[test]
fn each_fault_names_field_value_and_range() {
    let line = |field: &str, value: &str| {
        let mut fields = vec![("temperature_c", "25"), ("ph", "8"), ("salinity_psu", "5")];
        fields.retain(|(name, _)| *name != field);
        let rest: Vec<String> = fields.iter().map(|(name, value)| format!(r#""{name}":{value}"#)).collect();
        error(&format!(r#"{{"{field}":{value},"compute":"un_ionised_ammonia",{}}}"#, rest.join(",")))
    };
    for (field, value, expected) in [
        ("temperature_c", "41", "temperature_c is 41, accepted is 0 to 40 °C"),
        ("temperature_c", "NaN", "temperature_c is NaN, accepted is 0 to 40 °C"),
        ("temperature_c", "-Infinity", "temperature_c is -Infinity, accepted is 0 to 40 °C"),
        ("temperature_c", "1e999", "temperature_c is inf, accepted is 0 to 40 °C"),
        ("temperature_c", "\"warm\"", "temperature_c is \"warm\", accepted is 0 to 40 °C"),
        ("temperature_c", "\"25\"", "temperature_c is \"25\", accepted is 0 to 40 °C"),
        ("temperature_c", "[25]", "temperature_c is an array of 1, accepted is 0 to 40 °C"),
        ("temperature_c", "{\"a\":[1,\"}\"]}", "temperature_c is {\"a\":[1,\"}\"]}, accepted is 0 to 40 °C"),
        ("temperature_c", "true", "temperature_c is true, accepted is 0 to 40 °C"),
        ("temperature_c", "+25", "temperature_c is +25, accepted is 0 to 40 °C"),
        ("salinity_psu", "-0.1", "salinity_psu is -0.1, accepted is 0 to 45 PSU"),
        ("ph", "11.5", "ph is 11.5, accepted is 4 to 11"),
        ("ph_scale", "\"free\"", "ph_scale is \"free\", accepted is \"nbs\" or \"total\""),
        ("tan_mg_l", "-1", "tan_mg_l is -1, accepted is 0 to 10000 mg/L as N"),
    ] {
        assert_eq!(line(field, value), expected);
    }
    let unknown = line("temperature", "25");
    assert!(unknown.starts_with("temperature is unknown here, accepted is one of compute, "), "{unknown}");
    let twice = error(r#"{"compute":"sun","latitude":1,"latitude":2,"longitude":3,"date":"2026-01-01"}"#);
    assert_eq!(twice, "latitude is given twice, accepted is once");
    let both = error(r#"{"compute":"oxygen_saturation","temperature_c":99,"salinity_psu":-1}"#);
    for part in ["temperature_c is 99", "salinity_psu is -1", "pressure_hpa is missing"] {
        assert!(both.contains(part), "{both}");
    }
}

#[test]
fn every_line_keeps_its_place() {
    let good = r#"{"compute":"convert","value_mg_l":3.2845,"from":"NO2","to":"N"}"#;
    let input = format!("{good}\n\nnot json\n[1,2]\n{{\"compute\":\"nothing\"}}\n{{}}\n{good}\r\n{good}");
    let (answers, all_good) = calc(&input);
    assert!(!all_good);
    let errors: Vec<bool> = answers.iter().map(|answer| answer.get("error").is_some()).collect();
    assert_eq!(errors, [false, true, true, true, true, true, false, false]);
    assert!((number(&answers[0], "value_mg_l") - 1.0).abs() < 1e-4);
    assert!(answers[1]["error"].as_str().expect("text").contains("blank"));
    assert!(answers[4]["error"].as_str().expect("text").contains("oxygen_saturation, un_ionised_ammonia"));
    assert!(answers[5]["error"].as_str().expect("text").starts_with("compute is missing"));
}

#[test]
fn broken_lines_are_errors_and_no_panic() {
    for line in [
        "{",
        "}",
        "{\"a\"",
        "{\"a\":",
        "{\"a\":1",
        "{\"a\":1,",
        "{\"a\":1,}",
        "{\"a\":[1",
        "{\"a\":[1,",
        "{\"a\":[",
        "{\"a\":{",
        "{\"a\":\"",
        "{\"a\":\"\\",
        "{\"a\":\"\\\"",
        "{\"a\":\"\\q\"}",
        "{\"a\":{\"é",
        "{\"a\":{é}}",
        "{\"a\":1}x",
        "{\"compute\":\"sun\\u0000\"}",
        "\u{feff}{}",
        "null",
        "\"",
    ] {
        assert!(!error(line).is_empty());
    }
    let mut output = Vec::new();
    let good = run(&b"{\"compute\":\"\xff\"}\n"[..], &mut output).expect("writing to memory");
    assert!(!good && String::from_utf8(output).expect("UTF-8").contains("not UTF-8"));
}

/// A reader that hands over one byte at a time splits every line.
struct Dribble<'a>(&'a [u8]);

impl Read for Dribble<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        let (Some((first, rest)), Some(place)) = (self.0.split_first(), buffer.first_mut()) else {
            return Ok(0);
        };
        *place = *first;
        self.0 = rest;
        Ok(1)
    }
}

/// However deep: an answer in its place, and the next line answered.
#[test]
fn a_deeply_nested_line_is_an_error_in_its_place() {
    let good = r#"{"compute":"trend","x":[1,2,3],"y":[2,4,6]}"#;
    for (open, close) in [("[", "]"), ("{\"a\":", "}"), ("[{\"a\":", "}]")] {
        for depth in [2, 200, 60_000] {
            let nested = format!("{}1{}", open.repeat(depth), close.repeat(depth));
            let line = format!(r#"{{"compute":"trend","x":{nested},"y":[1]}}"#);
            let unclosed = format!(r#"{{"compute":"trend","x":{},"y":[1]}}"#, open.repeat(depth));
            let (answers, all_good) = calc(&format!("{good}\n{line}\n{unclosed}\n{good}\n"));
            assert_eq!((answers.len(), all_good), (4, false));
            assert!(answers[1]["error"].as_str().unwrap().contains('x'), "{}", answers[1]);
            assert!(answers[2]["error"].is_string());
            assert_eq!(number(&answers[3], "theil_sen_slope"), 2.0);
        }
    }
}

/// As `replay` takes it: some editors and spreadsheets write it. Anywhere else it is an error.
#[test]
fn a_byte_order_mark_may_begin_the_text() {
    let line = r#"{"compute":"trend","x":[1,2,3],"y":[2,4,6]}"#;
    let (answers, all_good) = calc(&format!("\u{feff}{line}\n{line}"));
    assert!(all_good && answers.len() == 2, "{answers:?}");
    let (answers, all_good) = calc(&format!("\u{feff}{line}"));
    assert!(all_good && answers.len() == 1, "{answers:?}");
    let (answers, all_good) = calc(&format!("{line}\n\u{feff}{line}"));
    assert!(!all_good && answers[1]["error"].is_string(), "{answers:?}");
}

#[test]
fn lines_may_come_in_pieces() {
    let input = "{\"compute\":\"convert\",\"value_mg_l\":1,\"from\":\"P\",\"to\":\"PO4\"}\nx\n".repeat(3);
    let (mut whole, mut pieces) = (Vec::new(), Vec::new());
    run(input.as_bytes(), &mut whole).expect("writing to memory");
    run(BufReader::new(Dribble(input.as_bytes())), &mut pieces).expect("writing to memory");
    assert_eq!(whole, pieces);
    assert_eq!(whole.iter().filter(|&&byte| byte == b'\n').count(), 6);
}

#[test]
fn a_line_without_end_does_not_fill_the_memory() {
    let long = "x".repeat(LONGEST_LINE + 10);
    let (answers, good) = calc(&format!("{long}\n{{\"compute\":\"nothing\"}}\n{long}"));
    assert!(!good);
    assert_eq!(answers.len(), 3);
    assert!(answers[0]["error"].as_str().expect("text").contains("longer than"));
    assert!(answers[1]["error"].as_str().expect("text").contains("nothing"));
    assert!(answers[2]["error"].as_str().expect("text").contains("longer than"));
}

#[test]
fn a_dose_answers_all_that_is_promised() {
    let water = r#""temperature_c":28,"ph":7.6,"salinity_psu":0,"alkalinity_mg_l":120,"ph_scale":"total""#;
    let product = r#""solids_percent":60,"slurry_density_kg_l":1.53"#;
    let line = |volume: &str, more: &str| {
        format!(r#"{{"compute":"dose",{volume},"dose":4,"basis":"solids_mass",{product},{water}{more}}}"#)
    };
    let answer = one(&line(r#""area_m2":5000,"depth_m":1.5"#, r#","tan_mg_l":2"#));
    // PyCO2SYS: pH 8.29 and 4.4 times the un-ionised ammonia; 8.60 and 8.58 once aired.
    assert!((number(&answer, "ph_after_mixing") - 8.29).abs() < 0.006);
    assert!((number(&answer, "ph_after_air") - 8.60).abs() < 0.006);
    assert!((number(&answer, "ph_after_air_without_dose") - 8.58).abs() < 0.006);
    let factor = number(&answer, "nh3_n_mg_l_after_mixing") / number(&answer, "nh3_n_mg_l_before");
    assert!((factor - 4.4).abs() < 0.05, "{factor}");
    assert!((number(&answer, "slurry_kg") - 50.0).abs() < 1e-9);
    assert_eq!(answer["solubility_limited"], Value::from(false));
    assert_eq!(answer["ph_scale"], Value::from("total"));
    let same = one(&line(r#""volume_m3":7500"#, ""));
    assert_eq!(number(&same, "slurry_l"), number(&answer, "slurry_l"));
    assert!(same.get("nh3_n_mg_l_before").is_none());

    assert!(error(&line(r#""area_m2":5000"#, "")).contains("depth_m is missing"));
    assert!(error(&line(r#""area_m2":5000,"depth_m":2,"volume_m3":7500"#, "")).contains("10000"));
    assert!(error(&line(r#""volume_m3":0"#, "")).starts_with("volume_m3 is 0, accepted is 0.001 to"));
    assert!(error(&line(r#""volume_m3":7500,"basis":"ppm""#, "")).contains("twice"));
    let other = line(r#""volume_m3":7500"#, "").replace("solids_mass", "ppm");
    assert_eq!(
        error(&other),
        "basis is \"ppm\", accepted is \"slurry_mass\", \"solids_mass\" or \"slurry_volume\""
    );
}

#[test]
fn too_little_alkalinity_for_the_ph_is_said_and_not_computed() {
    let text = error(
        r#"{"compute":"carbonate","temperature_c":28,"ph":10.5,"salinity_psu":35,"alkalinity_mg_l":5}"#,
    );
    assert!(text.starts_with("alkalinity_mg_l is 5"), "{text}");
}

#[test]
fn the_sun_may_not_rise() {
    let at = |latitude: f64, date: &str| {
        one(&format!(r#"{{"compute":"sun","latitude":{latitude},"longitude":18.96,"date":"{date}"}}"#))
    };
    let winter = at(69.65, "2025-12-21");
    assert_eq!(
        (&winter["state"], &winter["sunrise"], &winter["sunset"]),
        (&Value::from("polar_night"), &Value::Null, &Value::Null)
    );
    assert_eq!(at(69.65, "2024-06-20")["state"], Value::from("polar_day"));
    assert_eq!(at(0.0, "2024-06-20")["state"], Value::from("normal"));
    // The NREL algorithm for 0, 0 on 2024-03-20.
    let zero = one(r#"{"compute":"sun","latitude":0,"longitude":0,"date":"2024-03-20"}"#);
    let rise: jiff::Timestamp = zero["sunrise"].as_str().expect("text").parse().expect("RFC 3339");
    let expected: jiff::Timestamp = "2024-03-20T06:04:04Z".parse().expect("RFC 3339");
    assert!((rise.as_second() - expected.as_second()).abs() <= 15, "{rise}");
    for date in ["2026-02-30", "2026-1-1", "20260101", "2026-01-01T00:00:00Z", "1899-12-31", "2101-01-01", ""]
    {
        let line = format!(r#"{{"compute":"sun","latitude":0,"longitude":0,"date":"{date}"}}"#);
        assert!(error(&line).contains("accepted is a date from 1900-01-01 to 2100-12-31"));
    }
}

#[test]
fn trends_refuse_what_has_none() {
    let good = one(r#"{"compute":"trend","x":[0,1,2,3,4,5,6,7],"y":[1.0,1.9,3.2,4.1,25.0,6.0,7.1,7.9]}"#);
    // scipy.stats.theilslopes and linregress.
    assert!((number(&good, "theil_sen_slope") - 1.0).abs() < 1e-9);
    assert!((number(&good, "theil_sen_low_95") - 0.9).abs() < 1e-9);
    assert!((number(&good, "theil_sen_high_95") - 1.1).abs() < 1e-9);
    assert!((number(&good, "least_squares_slope") - 1.233_333_333).abs() < 1e-9);
    for (arrays, expected) in [
        (r#""x":[1,2],"y":[1]"#, "x has 2 values and y has 1"),
        (r#""x":[1],"y":[1]"#, "x has 1 values, accepted is 2 to"),
        (r#""x":[],"y":[]"#, "x has 0 values"),
        (r#""x":[1,1],"y":[1,2]"#, "all values of x are equal"),
        (r#""x":[1,NaN],"y":[1,2]"#, "x[1] is NaN, accepted is a finite number"),
        (r#""x":[1,2],"y":["a",2]"#, "y[0] is \"a\", accepted"),
        (r#""x":[1,2],"y":[null,2]"#, "y[0] is null, accepted"),
        (r#""x":[1,2],"y":3"#, "y is 3, accepted is an array of numbers"),
        (r#""x":[1,2]"#, "y is missing"),
    ] {
        let text = error(&format!(r#"{{"compute":"trend",{arrays}}}"#));
        assert!(text.contains(expected), "{text}");
    }
}

#[test]
fn aerators_above_saturation_take_oxygen_out() {
    let line = |more: &str| {
        one(&format!(
            r#"{{"compute":"aeration","sotr_kg_h":1,"sae_kg_kwh":1,"alpha":0.9,"beta":1,"theta":1.024,
            "temperature_c":28,"salinity_psu":35,"pressure_hpa":1013.25,"do_mg_l":9{more}}}"#
        )
        .replace('\n', " "))
    };
    let answer = line("");
    assert!(number(&answer, "otr_kg_h") < 0.0);
    assert_eq!(answer.as_object().expect("an object").len(), 3);
    let held = line(r#","oxygen_demand_mg_l_h":0.3,"volume_m3":10000"#);
    assert_eq!(held["power_to_hold_kw"], Value::Null);
    assert_eq!(number(&held, "demand_kg_h"), 3.0);
}

#[test]
fn a_formula_is_cited_when_asked_for() {
    let answer = one(r#"{"compute":"nitrite_limit","salinity_psu":5,"cite":true}"#);
    // Worked by hand on logarithmic axes between 0.5 at 2 PSU and 6.1 at 15.
    assert!((number(&answer, "nitrite_safe_mg_l") - 1.56).abs() < 0.01);
    assert_eq!(answer["support"], Value::from("estimated"));
    assert!(answer["formulas"][0]["source"].as_str().expect("text").contains("Lin & Chen 2003"));
}

#[test]
fn struvite_without_an_ion_has_no_index() {
    let answer = one(
        r#"{"compute":"struvite","temperature_c":25,"ph":8,"salinity_psu":10,"magnesium_mg_l":370,"tan_mg_l":1,"phosphate_mg_l":0}"#,
    );
    assert_eq!(answer["saturation_index"], Value::Null);
    assert_eq!(number(&answer, "struvite_mg_l_at_most"), 0.0);
}

#[test]
fn a_probe_set_to_fresh_water_and_a_day_s_curve() {
    // Common practice: 12 % too high in 20 PSU at 30 °C.
    let probe = one(
        r#"{"compute":"oxygen_probe","temperature_c":30,"do_mg_l":7.56,"salinity_psu":20,"pressure_hpa":1013.25,"set_salinity_psu":0,"set_pressure_hpa":1013.25}"#,
    );
    assert!((7.56 / number(&probe, "do_mg_l") - 1.12).abs() < 0.005);
    let day = one(
        r#"{"compute":"ammonia_day","hours":[6,15,30],"temperature_c":[27,31,27],"ph":[7.7,8.9,7.7],"salinity_psu":0,"tan_mg_l":1}"#,
    );
    assert_eq!(number(&day, "peak_hour"), 15.0);
    assert!(number(&day, "nh3_n_mg_l_peak") > 2.0 * number(&day, "nh3_n_mg_l_mean"));
    let uneven = error(
        r#"{"compute":"ammonia_day","hours":[6,15],"temperature_c":[27,31,27],"ph":[7.7,8.9,7.7],"salinity_psu":0}"#,
    );
    assert!(uneven.contains("2, 3 and 3"), "{uneven}");
}
