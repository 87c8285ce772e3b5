"""Radio: sizes in, seconds and decibels out. It knows bytes and settings; no schema or layout enters here."""
