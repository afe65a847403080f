//! Lines on which text is spoken.
