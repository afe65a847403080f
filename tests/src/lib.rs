//! Nothing here: this package exists for its test targets, which need more than one crate.
