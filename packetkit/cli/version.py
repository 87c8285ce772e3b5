"""What `--version` prints: the versions and check engines that a fault report needs."""

from __future__ import annotations

import platform
from importlib.metadata import PackageNotFoundError, version

LIBRARIES = ("click", "ruamel.yaml", "construct", "crcmod", "numpy", "hypothesis")


def installed_version(name: str) -> str:
    """Return the version of an installed distribution, or that it is absent."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def version_text() -> str:
    """Return the lines of `packetkit --version`; the first is always `packetkit X.Y.Z`."""
    lines = [f"packetkit {installed_version('packetkit')}"]
    lines += [f"  Python {platform.python_version()} on {platform.system()} {platform.machine()}"]
    lines += [f"  {name} {installed_version(name)}" for name in LIBRARIES]
    lines += [f"  checks run by {engine}: {share}" for engine, share in check_engines()]
    return "\n".join(lines) + "\n"


def check_engines() -> list[tuple[str, str]]:
    """Return each engine with how many algorithms of the catalogue it computes on this machine."""
    from packetkit.integrity.catalog import ALGORITHMS
    from packetkit.integrity.crc import engine_name

    users: dict[str, list[str]] = {}
    for name, algorithm in ALGORITHMS.items():
        users.setdefault(engine_name(algorithm), []).append(name)
    return [(engine, f"{len(names)} of {len(ALGORITHMS)}") for engine, names in sorted(users.items())]
