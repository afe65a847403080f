//! The probe tasks of the daemon against peers that know nothing of it: pymodbus on a pseudo-terminal,
//! Debian's mosquitto with its own clients.

mod bench;
mod mqtt;
mod pymodbus;
