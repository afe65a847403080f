//! What makes alarms heard and seen, and who is called, as written.

use std::path::PathBuf;
use std::time::Duration;

use super::super::reader::At;
use super::super::rules::{FilePath, Id, Text, YesNo, length_ms, length_s, whole};
use super::super::tables::{ListOf, TableOf, TablesOf, table};
use super::DAY_S;

/// Steps of a plan of calls.
const MOST_STEPS: usize = 16;

/// Arguments of a command.
const ARGUMENTS: ListOf<Text> = ListOf { each: Text, least: 0, most: 32 };

table! {
    /// What makes alarms heard and seen, and who is called. Nothing here may ever switch an aerator.
    pub struct RawAnnunciation {
        /// The horn: sounds while an alarm of priority critical or high waits for an acknowledgement.
        horn: RawOutput = optional TableOf::<RawOutput>::new();
        /// The lamp: lit while an alarm of priority critical or high stands, acknowledged or not.
        lamp: RawOutput = optional TableOf::<RawOutput>::new();
        /// Farm time of the daily test of the horn, "HH:MM", or "never".
        horn_test: String = optional Text;
        /// How long the horn sounds in its test.
        horn_test_sound: Duration = optional length_ms(200, 30_000);
        /// Who is called while an alarm waits for an acknowledgement.
        calls: RawCalls = optional TableOf::<RawCalls>::new();
    }
}

table! {
    /// One output, driven by exactly one of `relay`, `gpio` and `command`. Never one that switches an aerator.
    pub struct RawOutput {
        /// What is painted on it, for messages, such as "siren on the pump house".
        label: String = needed Text;
        /// A coil of a Modbus relay.
        relay: RawRelay = optional TableOf::<RawRelay>::new();
        /// A line of this computer's own GPIO.
        gpio: RawGpio = optional TableOf::<RawGpio>::new();
        /// A program, given the argument `on` or `off` behind its own.
        command: RawCommand = optional TableOf::<RawCommand>::new();
    }
}

table! {
    /// A coil of a Modbus relay, written with function 5; the relay's echo is the proof.
    pub struct RawRelay {
        /// Id of the bus it is on.
        bus: String = needed Id;
        /// Modbus address of the relay.
        address: i64 = needed whole(1, 247, "");
        /// The coil, counted from 0 as on the line; many manuals count from 1.
        coil: i64 = needed whole(0, 65_535, "");
        /// `true` where the coil is off while the output should be on: wired to the contact that is closed at rest.
        inverted: bool = optional YesNo;
        /// How long to wait for the relay's answer.
        timeout: Duration = optional length_ms(20, 5_000);
        /// Further attempts at once, before the write counts as failed.
        retries: i64 = optional whole(0, 5, "");
    }
}

table! {
    /// A line of this computer's own GPIO, by the character device of the Linux kernel.
    pub struct RawGpio {
        /// The chip, such as "/dev/gpiochip0".
        chip: PathBuf = needed FilePath;
        /// The line, counted from 0 as `gpioinfo` shows it.
        line: i64 = needed whole(0, 4_095, "");
        /// `true` where a low level switches the output on.
        active_low: bool = optional YesNo;
    }
}

table! {
    /// A program that is run without a shell and with next to no environment.
    pub struct RawCommand {
        /// The program.
        program: PathBuf = needed FilePath;
        /// Its arguments.
        arguments: Vec<At<String>> = optional ARGUMENTS;
        /// After so long it is ended and counts as failed.
        timeout: Duration = optional length_ms(100, 300_000);
    }
}

table! {
    /// Who is called while an alarm waits for an acknowledgement. Every call is also published to the
    /// destinations, topic `pondreeve/<gateway>/call`.
    pub struct RawCalls {
        /// Call for alarms of priority high as well as critical.
        high: bool = optional YesNo;
        /// The last step is repeated this often; "0s" for never.
        repeat_every: Duration = optional length_s(0, DAY_S);
        /// Run for every step that names no command of its own. It gets the call as JSON on standard input.
        command: RawCommand = optional TableOf::<RawCommand>::new();
        /// The steps. Left out: technician on shift at once, second person after 3 min, adviser or manager
        /// after 8, everybody after 15.
        step: Vec<At<RawCallStep>> = optional TablesOf::<RawCallStep>::at_most(MOST_STEPS);
    }
}

table! {
    /// One step of the calls.
    pub struct RawCallStep {
        /// Short id, such as "on-shift".
        id: String = needed Id;
        /// Who that is, for people.
        name: String = needed Text;
        /// So long after the alarm was raised, or sounded again.
        after: Duration = needed length_s(0, DAY_S);
        /// Run for this step.
        command: RawCommand = optional TableOf::<RawCommand>::new();
    }
}
