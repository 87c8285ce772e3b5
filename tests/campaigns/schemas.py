"""Random schemas in full: 300 of them, 1,000 records each, every codec held against the oracle by exact value."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import TextIO

from packetkit.cli.output import json_text
from packetkit.conformance.vector import Case
from packetkit.fuzz import campaign, features, judges, proof
from packetkit.fuzz.agreement import ask
from packetkit.mission.load import parse

SCHEMAS, RECORDS = 300, 1000
FOUND = Path(__file__).resolve().parents[2] / "vectors" / "found"


def run(seed: int, schemas: int, records: int, workers: int) -> campaign.Report:
    """Return the sum of what the workers find; which of them does a schema makes no difference."""
    part = partial(campaign.share, seed, schemas, records, workers)
    if workers == 1:
        return part(0)
    with ProcessPoolExecutor(workers) as pool:
        return campaign.merged(pool.map(part, range(workers)))


def told(report: campaign.Report) -> Iterator[str]:
    """Yield the report line by line: rows of the language, codecs, damage, what was never drawn, findings."""
    yield f"{report.schemas} schemas, {report.frames} frames, {report.records:,} records, {report.damaged:,} damaged frames"
    for name, count in report.answers.items():
        yield f"  {name:10} answered {count:9,} records"
    yield "draws per row of the language:"
    for row, count in campaign.rows(report).items():
        yield f"  {row:3}  {count:7,}  {features.ROWS[row]}"
        parts = [one for one in features.FEATURES if one.row == row]
        yield from (f"       {report.features[features.key(one)]:7,}    {one.name}" for one in parts)
    yield "decoding damaged frames: " + ", ".join(
        f"{reason} {count:,}" for reason, count in report.reasons.most_common()
    )
    yield "drawn schemas that did not load: " + (str(dict(report.refused)) if report.refused else "none")
    for finding in report.findings:
        yield f"\nschema {finding.number}, made small:\n{finding.text}\n{finding.difference}"


def save(finding: campaign.Finding, seed: int, directory: Path = FOUND) -> Path:
    """Write a finding as a vector with the oracle's answers; return the file."""
    declared = parse(finding.text).declared.frames[0]
    oracle = judges.oracle(declared, parse(finding.text).layouts[declared.name])
    subject = finding.difference.subject
    data = subject if isinstance(subject, bytes) else ask(oracle.encode, subject)
    back = ask(oracle.decode, data) if isinstance(data, bytes) else ""
    if isinstance(subject, bytes):
        case = Case("found", data=data, back=back)
    else:
        case = Case("found", subject, data, back) if isinstance(data, bytes) else Case("found", subject)
    title = f"{finding.difference.judge} differs from the oracle: {finding.difference.question}"
    worked = (
        f"By the oracle; found by the campaign schemas, seed {seed}, schema {finding.number}, and shrunk."
    )
    directory.mkdir(parents=True, exist_ok=True)
    path = directory / f"campaign-{seed}-{finding.number}.json"
    path.write_text(
        json_text(proof.found_document(title, finding.text, declared.name, case, worked)), encoding="utf-8"
    )
    return path


def schemas(seed: int, out: TextIO) -> int:
    """Return how many differences were found and how many features were never drawn."""
    report = run(seed, SCHEMAS, RECORDS, max(os.cpu_count() or 1, 1))
    for line in told(report):
        out.write(line + "\n")
    for finding in report.findings:
        out.write(f"saved as {save(finding, seed).name} in vectors/found\n")
    lacking = campaign.never_drawn(report)
    out.write(f"never drawn: {', '.join(lacking) or 'nothing'}\n")
    return len(report.findings) + len(lacking)


CAMPAIGNS: dict[str, Callable[[int, TextIO], int]] = {"schemas": schemas}
