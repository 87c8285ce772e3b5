"""Passes: orbits and flights in, seconds and kilometres out. Knows no frame, schema or layout."""
