"""Fixed seeds for every test, and skips that become failures where the run says so."""

from __future__ import annotations

import os
import signal
from collections.abc import Generator
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

# Fixed: the same examples in every run and on every machine. Fresh seeds belong to tests/campaigns.
settings.register_profile(
    "fixed",
    derandomize=True,
    database=None,
    deadline=None,  # a shared machine's hiccup is no failure
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],  # for the same reason
)
settings.load_profile("fixed")

if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    # A run started in the background ignores interrupts, and so would every program that a test starts and interrupts.
    signal.signal(signal.SIGINT, signal.default_int_handler)

NO_SKIP = bool(os.environ.get("PACKETKIT_NO_SKIP"))


def fail_instead(report: Any) -> None:
    """Turn the report of a skip, or of an expected failure, into a failure that states the reason."""
    if NO_SKIP and report.skipped:
        told = report.longrepr[2] if report.longrepr else "no reason given"
        # An expected failure hides a fault as a skip hides a tool: pytest marks it so, and it is unmarked to count as failed.
        reason = getattr(report, "wasxfail", None) or told
        report.outcome = "failed"
        report.longrepr = f"nothing may be skipped in this run (PACKETKIT_NO_SKIP): {reason}"
        if hasattr(report, "wasxfail"):
            del report.wasxfail


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Watch each test's report."""
    report = yield
    fail_instead(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    """Watch modules that skip themselves while they are collected."""
    report = yield
    fail_instead(report)
    return report
