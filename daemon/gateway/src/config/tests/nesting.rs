//! Values within values.

use std::path::Path;

use crate::config::from_text;

/// However deep values nest: a problem with its place, and no stack that runs over.
#[test]
fn values_within_values_without_end_are_a_problem() {
    let deep = 60_000;
    for text in [
        format!("x = {}{}", "[".repeat(deep), "]".repeat(deep)),
        format!("x = {}1{}", "{ a = ".repeat(deep), " }".repeat(deep)),
        format!("x = {}", "[".repeat(deep)),
        format!("{}a = 1", "a.".repeat(deep)),
        format!("[{}a]", "a.".repeat(deep)),
    ] {
        let Err(problems) = from_text(Path::new("/nowhere/farm.toml"), format!("{text}\n")) else {
            panic!("{} bytes were taken", text.len())
        };
        assert!(!problems.to_string().is_empty());
    }
}
