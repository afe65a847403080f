//! The local socket: what the console and the plain commands ask of the running daemon.

pub mod alarms;
pub mod calls;
pub mod check;
pub mod client;
pub mod devices;
pub mod diary;
pub mod dose;
pub mod evidence;
pub mod facts;
pub mod farm;
mod kept;
pub mod limits;
pub mod line;
pub mod machine;
pub mod mass_balance;
pub mod night;
pub mod protocol;
pub mod requests;
pub mod rights;
pub mod said;
pub mod server;
pub mod service;
pub mod status;
pub mod trial;
pub mod why;

#[cfg(test)]
mod tests;
