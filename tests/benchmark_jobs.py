"""How long listing and searching takes in long records; prints only.

    .venv/bin/python -m tests.benchmark_jobs [postgresql://…]   # an empty database; SQLite without

The aim is 50 ms for a hundred thousand jobs. All jobs are invented.
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import insert

from soakmon.records.jobs.models import Job, StoredResult
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import all_jobs

BEGAN = datetime(2026, 1, 1, tzinfo=UTC)


def fill(records: Records, count: int) -> None:
    """So many jobs with two results each."""
    jobs = [
        {
            "number": f"2026-{n:04d}",
            "created": BEGAN + timedelta(hours=n),
            "customer": f"Łukasz {n} (invented)",
            "machine": "four-cylinder 750",
            "rack": "four on a rubber rail",
            "carb_count": 4,
        }
        for n in range(1, count + 1)
    ]
    with records.session() as session:
        ids = list(
            session.scalars(insert(Job).returning(Job.id, sort_by_parameter_order=True), jobs)
        )
        results = [
            {
                "job_id": number,
                "at": BEGAN,
                "kind": kind,
                "summary": summary,
                "data": {"x": [1] * 50},
            }
            for number in ids
            for kind, summary in (("drain", "bowls alike"), ("soak", "leaking (invented)"))
        ]
        session.execute(insert(StoredResult), results)


def listing_s(records: Records, word: str, expected: int) -> tuple[float, float]:
    """Seconds to list the first jobs with a word, with the latest result of each; and of CPU."""
    began_s, began_cpu_s = time.perf_counter(), time.process_time()
    with records.session() as session:
        found = all_jobs(session, word, most=50)
    spent_s, cpu_s = time.perf_counter() - began_s, time.process_time() - began_cpu_s
    assert len(found) == expected, (word, len(found))
    return spent_s, cpu_s


def main() -> None:
    """Print the times."""
    url = sys.argv[1] if len(sys.argv) > 1 else None
    with tempfile.TemporaryDirectory() as name, Records(Path(name), url) as records:
        fill(records, 100_000)
        for word, expected in (("", 50), ("ŁUKASZ 77", 50), ("ŁUKASZ 77777", 1), ("nowhere", 0)):
            spent = [listing_s(records, word, expected) for _ in range(9)]
            wall_s, cpu_s = min(wall for wall, _ in spent), min(cpu for _, cpu in spent)
            sys.stdout.write(
                f"100,000 jobs, the first 50 with {word!r}: {1e3 * wall_s:.0f} ms,"
                f" {1e3 * cpu_s:.0f} ms of CPU here\n"
            )


if __name__ == "__main__":
    main()
