//! The probe tasks of the daemon, and the scan for probes, against peers that know nothing of it: pymodbus on a pseudo-terminal,
//! Debian's mosquitto with its own clients.

mod bare_farm;
mod bench;
mod commission;
mod framings;
mod mqtt;
mod our_servers;
mod pymodbus;
mod scan;
mod scan_server;
mod scan_spoken;
mod scan_watch;
mod sign_off;
mod spoken;
mod unplug;
