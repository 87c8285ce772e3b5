"""The keys outside of fields: a mission's, a frame's, the link's with its ends and radios, passes and battery.

Names that are rows of the radio part's tables stand here too, as the schema knows no radio; a test holds them to those.
"""

from __future__ import annotations

from packetkit.schema.keys import Key, table

MISSION_KEYS = table(
    Key(
        "mission", "mission_name", "The mission's name: lower-case letters, digits, hyphens and underscores."
    ),
    Key("description", "text", "A sentence for people."),
    Key("frames", "frames", "The frames by name, each with its fields in wire order."),
    Key("link", "link", "The radio setting and the limits of a frame."),
    Key("passes", "passes", "When the ground can listen."),
    Key("battery", "part", "What there is to spend, for energy and life."),
)

FRAME_KEYS = table(
    Key("description", "text", "A sentence for people."),
    Key("fields", "fields", "The fields, in the order in which they are sent."),
    Key(
        "packing",
        "word",
        "Which bit of a byte comes first.",
        ("most_significant_first", "least_significant_first"),
    ),
    Key("order", "word", "Which octet of a number of 16 bits and more comes first.", ("big", "little")),
    Key("strict", "boolean", "true: a frame with a non-zero reserved bit is rejected, not only reported."),
    Key("last_byte", "word", "How a frame that ends inside a byte is completed.", ("zero_filled",)),
    Key(
        "told_by",
        "word",
        "outside: not the frame's bytes but where they came from (a topic, a port, a file) says that it is this frame.",
        ("outside",),
    ),
    Key("cadence_s", "positive", "Seconds from one such frame to the next."),
)

# Rows of the radio part's tables, which a test holds these to: the schema knows no radio.
NOISE_PLACES = ("city", "residential", "rural", "quiet_rural")

REGIONS = ("eu", "us", "as923")

RECEIVERS = ("sx1272", "sx1276", "sx1262", "llcc68")

LINK_KEYS = table(
    Key("chirp", "chirp", "The chirp spread-spectrum radio's setting."),
    Key("fsk", "part", "Plain frequency-shift keying, to be counted beside chirp."),
    Key(
        "maximum_frame_bytes",
        "size",
        "The longest frame that the link takes, without the driver's own bytes.",
    ),
    Key(
        "driver_bytes",
        "size",
        "Bytes that the radio driver adds to each frame; they are sent, and paid for in airtime.",
    ),
    Key("gap_s", "positive_or_zero", "Seconds of silence between two frames."),
    Key(
        "share_of_hour_percent",
        "percent",
        "The share of each hour that may be spent sending; local rules decide.",
    ),
    Key("unit", "end", "The end that flies: its power, antenna and receiver."),
    Key(
        "ground",
        "end",
        "The end on the ground: its antenna and receiver, and its power where there is an uplink.",
    ),
    Key(
        "polarisation_loss_db",
        "positive_or_zero",
        "Loss by unlike polarisation, in dB: 3 from linear to circular.",
    ),
    Key("fading_db", "positive_or_zero", "Allowance for fading that is taken off the margin, in dB."),
    Key(
        "noise",
        "word",
        "Man-made radio noise where the ground station stands; none unless said.",
        NOISE_PLACES,
    ),
    Key("region", "word", "Whose figures to compare power and time with; local rules decide.", REGIONS),
)

END_KEYS = table(
    Key("power_dbm", "number", "Power at the transmitter's connector, in dBm."),
    Key("antenna_gain_dbi", "number", "Gain of the antenna over an isotropic one, in dBi."),
    Key("line_loss_db", "positive_or_zero", "Loss between radio and antenna, in dB."),
    Key("pointing_loss_db", "positive_or_zero", "Loss because the antenna points elsewhere, in dB."),
    Key("receiver", "word", "The receiver whose data sheet gives the sensitivity.", RECEIVERS),
    Key(
        "noise_figure_db",
        "positive_or_zero",
        "Noise figure of the whole receiving chain, in dB, instead of a data sheet's rows.",
    ),
)

CHIRP_KEYS = table(
    Key("spreading_factor", "integer", "Bits carried by one symbol, 5 to 12."),
    Key("bandwidth_khz", "number", "Bandwidth in kHz: a row of the table of real bandwidths."),
    Key("coding_rate", "line", "Code rate of the payload: 4/5, 4/6, 4/7 or 4/8."),
    Key("preamble_symbols", "integer", "Programmed preamble length in symbols."),
    Key("header", "word", "Whether the radio's own header is sent.", ("explicit", "implicit")),
    Key("crc", "boolean", "Whether the radio adds its own 16-bit CRC."),
    Key(
        "low_data_rate", "word", "Low-data-rate optimisation: by the rule, or forced.", ("auto", "on", "off")
    ),
    Key("modem", "line", "The modem family, where it matters (spreading factors 5 and 6)."),
    Key("frequency_mhz", "positive", "Carrier frequency in MHz."),
    Key("sync_word", "octet", "Sync word as the older family writes it, 0x00 to 0xFF; 0x12 unless said."),
    Key("inverted_iq", "boolean", "true: the chirps run the other way."),
)

PASSES_KEYS = table(
    Key("altitude_km", "positive", "Altitude of a circular orbit above the mean equatorial radius, in km."),
    Key(
        "minimum_elevation_deg",
        "number",
        "Elevation above the horizon from which the ground hears the unit, in degrees.",
    ),
    Key("duration_s", "positive", "How long a pass lasts, where it is not an orbit's."),
    Key("per_day", "positive", "Passes a day."),
    Key("elements", "part", "Two-line elements of an orbit, as published."),
    Key("site", "part", "Where the ground station stands, for passes of elements."),
    Key("balloon", "part", "A balloon's flight: up, burst, and down under a parachute."),
    Key("rocket", "part", "A sounding rocket's flight: a ballistic arc, with a parachute if it has one."),
    Key("distance_km", "positive", "The distance of a unit that stays where it is, with duration_s."),
    Key("host", "part", "A host vehicle or message service that takes a quota a day."),
)

# The keys of each part of `passes`, of `battery` and of `link`, and which of them it cannot do without.
PART_KEYS: dict[str, dict[str, Key]] = {
    "elements": table(
        Key("line_1", "line", "The first line, 69 characters."),
        Key("line_2", "line", "The second line, 69 characters."),
    ),
    "site": table(
        Key("latitude_deg", "number", "Degrees north, below zero in the south."),
        Key("longitude_deg", "number", "Degrees east, below zero in the west."),
        Key("height_m", "number", "Metres above the ellipsoid; 0 unless said."),
    ),
    "balloon": table(
        Key("burst_altitude_km", "positive", "Where it bursts, in km above the ground station."),
        Key("ascent_m_per_s", "positive", "Speed upwards, in m/s."),
        Key(
            "descent_m_per_s",
            "positive",
            "Speed of the parachute at the ground, in m/s; it is faster in thin air.",
        ),
        Key("drift_m_per_s", "positive_or_zero", "Mean speed of the wind that carries it away, in m/s."),
        Key("mast_m", "positive_or_zero", "Height of the ground antenna above flat ground, in m."),
    ),
    "rocket": table(
        Key("apogee_km", "positive", "The highest point, in km above the ground station."),
        Key(
            "downrange_km",
            "positive_or_zero",
            "Where the arc comes down again, in km from the ground station.",
        ),
        Key("parachute_altitude_km", "positive", "Where the parachute opens on the way down."),
        Key("descent_m_per_s", "positive", "Speed of the parachute at the ground, in m/s."),
    ),
    "fsk": table(
        Key("bitrate_kbps", "positive", "Bit rate in kilobits a second."),
        Key("preamble_bytes", "size", "Bytes of preamble; 4 unless said."),
        Key("sync_bytes", "size", "Bytes of the radio's sync word; 2 unless said."),
        Key(
            "length_bytes", "size", "1 where the packet says its length, as unless said; 0 where both fix it."
        ),
        Key("address_bytes", "size", "1 where the packet says an address; 0 unless said."),
        Key("crc_bytes", "size", "Bytes of the radio's own check; 2 unless said."),
        Key("manchester", "boolean", "true: what follows the sync word is sent twice as long."),
    ),
    "battery": table(
        Key("capacity_wh", "positive", "Capacity in watt-hours."),
        Key(
            "load_mw",
            "positive_or_zero",
            "Mean load of everything but the radio, in milliwatts: sensors, computer.",
        ),
        Key(
            "receiving_percent",
            "positive_or_zero",
            "Share of the time beside sending in which the radio receives; 0 unless said: it sleeps.",
        ),
        Key("supply_v", "positive", "Volts at the radio; 3.3 unless said."),
        Key(
            "usable_percent",
            "percent",
            "Share of the capacity that can be used; 80 unless said (common practice).",
        ),
    ),
    "host": table(
        Key("messages_per_day", "positive", "Messages that the service takes in a day."),
        Key("message_bytes", "size", "The longest message that it takes."),
    ),
}

PART_NEEDS: dict[str, tuple[str, ...]] = {
    "elements": ("line_1", "line_2"),
    "site": ("latitude_deg", "longitude_deg"),
    "balloon": ("burst_altitude_km", "ascent_m_per_s", "descent_m_per_s"),
    "rocket": ("apogee_km",),
    "host": ("messages_per_day", "message_bytes"),
    "battery": ("capacity_wh",),
    "fsk": ("bitrate_kbps",),
}
