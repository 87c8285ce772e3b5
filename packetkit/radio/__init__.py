"""Radio: sizes in, seconds and decibels out. It knows bytes and settings; no schema or layout enters here."""

# Shown once by whatever prints a figure of this part.
CAUTION = (
    "Radio figures are estimates. Local spectrum rules, licences and licensed operators decide; airborne use "
    "may be restricted, and some bands forbid encryption. Never the sole basis for recovery, range safety or "
    "air traffic."
)
