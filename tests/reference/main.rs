//! The chemistry against published tables and reference libraries.
//!
//! Expected values come from `data/`, made by the libraries named in `README.md` or typed in from
//! published figures; none comes from this project's own code.

mod aeration;
mod ammonia;
mod bits;
mod carbonate;
mod evidence;
mod oxygen;
mod quality;
mod rules;
mod struvite;
mod sulfide;
mod sun;
mod table;
mod trend;
mod water;
