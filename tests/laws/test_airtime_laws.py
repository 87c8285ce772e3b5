"""Laws of time on air that hold for every setting: it never falls with length, and it can be inverted."""

from __future__ import annotations

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from packetkit.radio import chirp, modems
from packetkit.radio.chirp import airtime, largest_payload, time_on_air
from packetkit.radio.settings import Setting, setting_faults
from packetkit.radio.staircase import staircase, stairs


@st.composite
def settings(draw: st.DrawFn) -> Setting:
    """Return any setting that a modem has."""
    modem = draw(st.sampled_from(sorted(modems.MODEMS)))
    spreading_factor = draw(st.sampled_from(modems.MODEMS[modem].spreading_factors))
    waveform = Setting(spreading_factor, 125, explicit_header=False, modem=modem).waveform
    return Setting(
        spreading_factor,
        draw(st.sampled_from(modems.BANDWIDTHS)),
        draw(st.sampled_from(sorted(modems.CODING_RATES))),
        draw(st.integers(modems.MODEMS[modem].minimum_preamble, modems.MAXIMUM_PREAMBLE)),
        draw(st.booleans()) and waveform.has_explicit_header,
        draw(st.booleans()),
        draw(st.sampled_from(("auto", "on", "off") if waveform.has_low_data_rate else ("auto", "off"))),
        modem,
    )


lengths = st.integers(0, chirp.MAXIMUM_PAYLOAD_BYTES)


@given(settings())
def test_time_on_air_never_falls_as_the_payload_grows(setting: Setting) -> None:
    times = [time_on_air(setting, n) for n in range(256)]
    assert times == sorted(times)


@given(settings(), lengths)
def test_time_on_air_is_a_whole_number_of_microseconds(setting: Setting, payload_bytes: int) -> None:
    assert (time_on_air(setting, payload_bytes) * 1_000_000).denominator == 1


@given(settings(), lengths)
def test_the_steps_add_up_to_the_time_on_air(setting: Setting, payload_bytes: int) -> None:
    steps = airtime(setting, payload_bytes)
    assert steps.symbols * steps.symbol_s == steps.time_on_air_s == time_on_air(setting, payload_bytes)
    assert steps.payload_symbols == 8 + steps.blocks * setting.block_symbols
    assert (steps.blocks - 1) * steps.block_bits < steps.rest_bits or steps.blocks == 0
    assert steps.rest_bits <= steps.blocks * steps.block_bits
    assert steps.preamble_symbols > setting.preamble_symbols


@given(settings(), lengths)
def test_the_staircase_says_what_time_on_air_says(setting: Setting, payload_bytes: int) -> None:
    here, stair = time_on_air(setting, payload_bytes), staircase(setting, payload_bytes)
    same = [n for n in range(256) if time_on_air(setting, n) == here]
    assert stair.time_on_air_s == here
    assert stair.free_bytes == same[-1] - payload_bytes
    if stair.fewer_bytes is None or stair.saved_s is None:
        assert same[0] == 0
        assert (stair.fewer_bytes, stair.saved_s) == (None, None)
    else:
        assert stair.fewer_bytes == payload_bytes - same[0] + 1
        assert stair.saved_s == here - time_on_air(setting, same[0] - 1)
    if stair.more_bytes is None or stair.added_s is None:
        assert same[-1] == 255
        assert (stair.more_bytes, stair.added_s) == (None, None)
    else:
        assert stair.more_bytes == same[-1] - payload_bytes + 1
        assert stair.added_s == time_on_air(setting, same[-1] + 1) - here


@given(settings())
def test_the_stairs_cover_every_length_once(setting: Setting) -> None:
    steps = stairs(setting)
    assert [n for step in steps for n in range(step.first_bytes, step.last_bytes + 1)] == list(range(256))
    assert all(
        time_on_air(setting, n) == step.time_on_air_s
        for step in steps
        for n in (step.first_bytes, step.last_bytes)
    )
    assert len({step.time_on_air_s for step in steps}) == len(steps)


@given(settings(), lengths, st.integers(-1, 1))
def test_the_largest_payload_is_the_inverse_of_time_on_air(
    setting: Setting, payload_bytes: int, nudge: int
) -> None:
    limit = time_on_air(setting, payload_bytes) + Fraction(nudge, 1_000_000)
    fitting = [n for n in range(256) if time_on_air(setting, n) <= limit]
    assert largest_payload(setting, limit) == (max(fitting) if fitting else None)


@given(settings())
def test_a_setting_written_out_and_read_again_is_the_same(setting: Setting) -> None:
    given_again = {
        "spreading_factor": str(setting.spreading_factor),
        "bandwidth": setting.bandwidth.labels[0],
        "coding_rate": setting.block_symbols,
        "preamble_symbols": Fraction(setting.preamble_symbols),
        "explicit_header": setting.explicit_header,
        "crc": setting.crc,
        "low_data_rate": setting.low_data_rate.upper(),
        "modem": setting.modem.name.upper(),
    }
    assert setting_faults(given_again) == ()
    assert setting == Setting(**given_again)  # type: ignore[arg-type]
