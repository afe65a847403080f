//! Units as probes and packs name them, and how to turn one into another.
