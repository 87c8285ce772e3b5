"""Back ends that write text from layouts, in one table. A target is registered when it is whole."""

from __future__ import annotations

from packetkit.targets import c, document, frame_map, javascript, micropython, python, tests
from packetkit.targets.target import Target

TARGETS: dict[str, Target] = {
    target.name: target
    for target in (
        tests.TARGET,
        c.TARGET,
        micropython.TARGET,
        javascript.TARGET,
        python.TARGET,
        document.TARGET,
        frame_map.TARGET,
    )
}
