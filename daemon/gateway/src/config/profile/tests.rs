//! Profiles good and bad, and those that are shipped.

use pondreeve_protocol::sdi12::Command;

use super::*;

const GOOD: &str = "id = \"x\"\ndescription = \"y\"\n[[register]]\nchannel = \"do_mg_l\"\n\
                    table = \"input\"\naddress = 0\nnumber = \"f32\"\norder = \"cdab\"\nunit = \"mg/L\"\n";

/// Every problem as `line:column found`, for a text made from a good one.
fn problems(text: &str) -> Vec<String> {
    match parse(text, "probe.toml") {
        Ok(map) => panic!("accepted as {map:?}"),
        Err(problems) => problems.iter().map(|p| format!("{}:{} {}", p.line, p.column, p.found)).collect(),
    }
}

#[test]
fn every_profile_that_is_shipped_can_be_read_and_planned() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/probes");
    let mut count = 0;
    for entry in std::fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        let text = std::fs::read_to_string(&path).unwrap();
        let found = parse_any(&text, &path.display().to_string()).unwrap_or_else(|p| panic!("{p:?}"));
        assert_eq!(Some(found.id()), path.file_stem().and_then(|stem| stem.to_str()));
        match found {
            Profile::Registers(map) => assert!(!map.plan().unwrap().is_empty()),
            Profile::Sensor(map) => assert!(!map.values.is_empty()),
            Profile::Text(map) => assert!(!map.values.is_empty()),
        }
        count += 1;
    }
    assert!(count >= 16, "only {count} profiles in {}", folder.display());
}

#[test]
fn a_good_profile_is_read_and_its_unit_turned_into_the_quantitys_own() {
    let text =
        GOOD.replace("mg/L", "kg/m3").replace("unit", "scale = 2\noffset = 0.5\nno_value = [0x7FFF]\nunit");
    let map = parse(&text, "probe.toml").unwrap();
    let register = &map.registers[0];
    assert_eq!((register.scale, register.offset, register.unit.as_str()), (2_000.0, 500.0, "mg/L"));
    assert_eq!(register.no_value, vec![32_767.0]);
    assert_eq!((register.order, map.gap), (WordOrder::Cdab, 0));
}

#[test]
fn all_problems_are_told_at_once_each_in_its_place() {
    let text = "id = \"X y\"\nspeed = 9600\n[[register]]\nchannel = \"oxygen\"\ntable = \"coil\"\n\
                address = 65536\nnumber = \"f64\"\nscale = 0\noffset = nan\nunit = \"mg/L\"\n\
                no_value = [1, nan]\nunits = 3\n[[register]]\nchannel = \"do_mg_l\"\nunit = \"Cel\"\n\
                table = \"input\"\naddress = 65535\nnumber = \"f32\"\n";
    assert_eq!(
        problems(text),
        [
            "1:1 no `description`",
            "1:6 `id = \"X y\"`",
            "2:1 unknown key `speed`",
            "4:11 `channel = \"oxygen\"`",
            "5:9 `table = \"coil\"`",
            "6:11 `address = 65536`",
            "7:10 `number = \"f64\"`",
            "8:9 `scale = 0`",
            "9:10 `offset = nan`",
            "11:16 `no_value = nan`",
            "12:1 unknown key `units`",
            "13:1 no `order`",
            "15:8 `unit = \"Cel\"`",
            "17:11 `address = 65535`",
        ]
    );
}

#[test]
fn derived_quantities_and_repeats_are_refused() {
    assert_eq!(problems(&GOOD.replace("do_mg_l", "nh3_n_mg_l")), ["4:11 `channel = \"nh3_n_mg_l\"`"]);
    let (_, register) = GOOD.split_once("[[").unwrap();
    let twice = format!("{GOOD}[[{}", register.replace("= 0", "= 2"));
    assert_eq!(problems(&twice), ["11:11 `do_mg_l` is read from two registers"]);
    assert_eq!(problems("id = \"x\"\ndescription = \"y\"\n"), ["1:1 no `register`"]);
    assert_eq!(problems("id = \"x\"\ndescription = \"y\"\nregister = []\n"), ["3:12 `register = []`"]);
}

#[test]
fn what_is_not_toml_is_placed() {
    let found = problems("id = \"x\"\nnumber == 3\n");
    assert!(found[0].starts_with("2:9 "), "{found:?}");
}

#[test]
fn a_register_may_hold_the_salinity_the_probe_is_set_to() {
    let setting = "[[register]]\nchannel = \"set_salinity_psu\"\ntable = \"holding\"\naddress = 40\n\
                   number = \"u16\"\nscale = 0.1\nunit = \"PSU\"\n";
    let map = parse(&format!("{GOOD}{setting}"), "x.toml").expect("sound");
    let register = &map.registers[1];
    assert_eq!((register.channel.as_str(), register.scale), (SET_SALINITY, 0.1));
    let no_oxygen = GOOD.replace("do_mg_l", "temperature_c").replace("mg/L", "Cel");
    assert_eq!(
        problems(&format!("{no_oxygen}{setting}")),
        ["11:11 `set_salinity_psu` of a probe that reports no oxygen"]
    );
}

const SENSOR: &str = "id = \"x\"\ndescription = \"y\"\nkind = \"sdi12\"\nmeasurement = \"C\"\nnumber = 2\n\
                      [[value]]\nchannel = \"depth_m\"\nposition = 3\nunit = \"cm\"\n";

#[test]
fn a_sensors_profile_is_read() {
    let Ok(Profile::Sensor(map)) = parse_any(SENSOR, "x.toml") else { panic!("not read") };
    assert_eq!(map.measurement, Command::Concurrent { number: 2, crc: true });
    assert_eq!((map.values[0].0, map.values[0].1.scale, map.values[0].1.unit.as_str()), (3, 0.01, "m"));
    let told = |text: &str| -> Vec<String> {
        let problems = parse_any(text, "x.toml").expect_err(text);
        problems.iter().map(|p| format!("{}:{} {}", p.line, p.column, p.found)).collect()
    };
    assert_eq!(told(&SENSOR.replace("\"C\"", "\"V\"")), ["4:15 `measurement = \"V\"`"]);
    assert_eq!(told(&SENSOR.replace("= 3", "= 0")), ["8:12 `position = 0`"]);
    assert_eq!(told(&SENSOR.replace("number = 2", "crc = 1")), ["5:7 `crc = 1`"]);
    assert_eq!(told(&SENSOR.replace("sdi12", "sdi13")), ["3:8 `kind = \"sdi13\"`"]);
    assert_eq!(
        told(&SENSOR.replace("position", "capture")),
        ["6:1 no `position`", "8:1 unknown key `capture`"]
    );
    let twice = format!("{SENSOR}[[value]]\nchannel = \"ph\"\nposition = 3\nunit = \"pH\"\n");
    assert_eq!(told(&twice), ["12:12 position 3 a second time"]);
    assert!(parse(SENSOR, "x.toml").unwrap_err()[0].found.contains("for SDI-12"));
}

const TEXT: &str = "id = \"x\"\ndescription = \"y\"\nkind = \"text\"\nask = \"R\\r\"\n\
                    pattern = 'T (?P<t>\\d+)'\nexample = \"T 289\"\n[[value]]\nchannel = \"temperature_c\"\ncapture = \"t\"\n\
                    scale = 0.1\nunit = \"Cel\"\n";

#[test]
fn a_profile_of_lines_is_read() {
    let Ok(Profile::Text(map)) = parse_any(TEXT, "x.toml") else { panic!("not read") };
    assert_eq!((map.ask.as_deref(), map.end.as_slice(), map.longest), (Some(&b"R\r"[..]), &b"\r\n"[..], 120));
    assert_eq!(map.read(b"T 289").unwrap()[0].1, Ok(28.900000000000002));
    let told = |text: &str| -> Vec<String> {
        let problems = parse_any(text, "x.toml").expect_err(text);
        problems.iter().map(|p| format!("{}:{} {}", p.line, p.column, p.found)).collect()
    };
    assert_eq!(
        told(&TEXT.replace("\"t\"", "\"u\"")),
        ["9:11 the capture `u`, which the pattern does not name"]
    );
    assert_eq!(told(&TEXT.replace("(?P", "((?P")), ["5:11 `pattern = 'T ((?P<t>\\d+)'`"]);
    assert_eq!(told(&TEXT.replace("T 289", "289")), ["6:11 `example = \"289\"`"]);
    assert_eq!(told(&TEXT.replace("R\\r", "")), ["4:7 `ask = \"\"`"]);
    assert_eq!(told(&TEXT.replace("ask = ", "longest = 0\nask = ")), ["4:11 `longest = 0`"]);
    assert_eq!(told(&TEXT.replace("ask = ", "checksum = \"crc\"\nask = ")), ["4:12 `checksum = \"crc\"`"]);
}

/// 4 to 20 mA of 0 to 14 pH through a converter that counts 0 to 32000 for 0 to 20 mA: worked out by hand.
#[test]
fn a_current_loop_is_scaled() {
    let text = GOOD
        .replace("do_mg_l", "ph")
        .replace("mg/L", "pH")
        .replace("\"f32\"", "\"u16\"")
        .replace("unit", "scale = 0.000625\nloop = [0, 14]\nunit");
    let map = parse(&text, "x.toml").unwrap();
    let ph = |raw: u16| map.registers[0].decode(&[raw]);
    assert!((ph(6_400).unwrap() - 0.0).abs() < 1e-9 && (ph(32_000).unwrap() - 14.0).abs() < 1e-9);
    assert!((ph(19_200).unwrap() - 7.0).abs() < 1e-9);
    assert!(ph(0).unwrap_err().to_string().starts_with("under range"));
    assert!(ph(33_000).unwrap_err().to_string().starts_with("over range"));
    assert_eq!(problems(&text.replace("loop", "offset = 1\nloop")), ["10:10 `offset = 1`"]);
    assert_eq!(problems(&text.replace("[0, 14]", "[7, 7]")), ["10:8 `loop = [7, 7]`"]);
    assert_eq!(problems(&text.replace("loop = [0, 14]", "range = [5, 1]")), ["10:9 `range = [5, 1]`"]);
}
