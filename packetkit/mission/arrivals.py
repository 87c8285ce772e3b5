"""What the link makes of a pass: margins along its track, the share of frames lost, the chance that one arrives.

The one part of a budget that needs numpy; what counts frames and bytes does without (packetkit/mission/budget.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from packetkit.mission.load import Link
from packetkit.passes.track import Sample
from packetkit.radio import link as radio
from packetkit.radio import loss
from packetkit.radio.settings import Setting

Array = npt.NDArray[np.float64]

MOMENTS = 1024  # at which frames of a kind are looked at


def margins_db(link: Link, samples: Sequence[Sample], setting: Setting | None = None) -> Array:
    """The downlink's margin at each sample, in dB; setting: instead of the link's own. The link has its ends (`has_ends`)."""
    chosen, between = setting or link.setting, link.between
    assert chosen is not None and between is not None and link.unit is not None
    at_one_km = radio.margin(chosen, link.unit, link.ground or radio.End(), between, 1.0).margin_db
    distances = np.array([sample.distance_km for sample in samples])
    found: Array = at_one_km - 20 * np.log10(distances)
    return found


def along(values: Array, shares: Array) -> Array:
    """Values of a track's samples at shares of its time (0 its start, 1 its end): straight between samples, level outside them."""
    found: Array = np.interp(shares * len(values) - 0.5, np.arange(len(values)), values)
    return found


def losses(link: Link, payload_bytes: int, samples: Sequence[Sample]) -> Array:
    """The expected share of frames lost at each sample; payload_bytes: on the air, the driver's included."""
    assert link.setting is not None
    return loss.frame_loss(link.setting, payload_bytes, margins_db(link, samples))


def arrivals(lost: Array | None, frames: int) -> tuple[float | None, float | None]:
    """The share of so many frames lost and the chance that at least one arrives, frames spread evenly over a pass.

    lost: the loss of a frame at equal steps of the pass, None where it is not known.
    """
    if lost is None:
        return None, None
    if not frames:
        return float(np.mean(lost)), 0.0
    # More moments than the track has samples tell nothing new.
    count = min(frames, MOMENTS)
    each = along(lost, (np.arange(count) + 0.5) / count)
    none = float(np.mean(np.log(np.maximum(each, 1e-300)))) * frames
    return float(np.mean(each)), -math.expm1(none)
