"""Plain FSK beside chirp: the same frames, pass and ends, counted by the same rule, at the bit rate of `link.fsk`."""

from __future__ import annotations

from dataclasses import dataclass
from math import log10

from packetkit.mission.budget import Share, allowance, frame_counts, longest, loss_model, measures
from packetkit.mission.load import Mission
from packetkit.mission.passes import Pass, has_ends
from packetkit.radio import fsk
from packetkit.radio.link import End
from packetkit.radio.sensitivity import sensitivity


@dataclass(frozen=True, slots=True)
class Beside:
    """What FSK would bring. sensitivity_dbm, margins in dB at the weakest and best moment: None where the link is not known."""

    setting: fsk.FskSetting
    shares: tuple[Share, ...]
    sensitivity_dbm: float | None
    margin_least_db: float | None
    margin_best_db: float | None

    @property
    def delivered_bytes(self) -> float:
        return sum(share.delivered_bytes for share in self.shares)


def beside(mission: Mission, window: Pass) -> Beside | None:
    """What the schema's `link.fsk` would bring of a pass; None where it names none."""
    link = mission.link
    if link.fsk is None:
        return None
    margins, heard_dbm, model = None, None, loss_model()
    if window.track and has_ends(link) and link.setting is not None and model is not None:
        hearer = link.ground or End()
        heard = sensitivity(link.setting, hearer.receiver, hearer.noise_figure_db)
        heard_dbm = fsk.sensitivity_dbm(link.fsk, heard.noise_figure_db)
        margins = model.margins_db(link, window.track) + heard.dbm - heard_dbm
    sizes = {name: longest(layout, link) for name, layout in mission.sent.items()}
    times = {name: fsk.time_on_air(link.fsk, size + link.driver_bytes) for name, (size, _) in sizes.items()}
    allowed = allowance(window.duration_s, link.share_of_hour)
    counts = frame_counts(mission.sent, times, window.duration_s, allowed, link.gap_s)
    shares = []
    for name, layout in mission.sent.items():
        arrived = None, None
        if margins is not None and model is not None:
            lost = fsk.frame_loss(link.fsk, sizes[name][0] + link.driver_bytes, margins)
            arrived = model.arrivals(lost, counts[name])
        shares.append(
            Share(name, *measures(layout, sizes[name]), times[name], layout.cadence_s, counts[name], *arrived)
        )
    least, best = None, None
    if margins is not None:
        edge_db = 20 * log10(window.farthest_km / max(sample.distance_km for sample in window.track))
        least, best = float(margins.min()) - edge_db, float(margins.max())
    return Beside(link.fsk, tuple(shares), heard_dbm, least, best)
