//! Bad configurations and what a person reads about them; files of the repository that must load.

use std::path::Path;

#[test]
fn the_demo_farm_loads() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/demo/farm.toml");
    let loaded = super::load_with_warnings(&path).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(loaded.warnings.problems().len(), 0, "{}", loaded.warnings.render(super::Style::Plain));
    assert_eq!(loaded.farm.site.ponds.len(), 4);
}
