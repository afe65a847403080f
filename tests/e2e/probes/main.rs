//! The probe tasks of the daemon, and the scan for probes, against peers that know nothing of it: pymodbus on a pseudo-terminal,
//! Debian's mosquitto with its own clients.

mod bench;
mod framings;
mod mqtt;
mod pymodbus;
mod scan;
