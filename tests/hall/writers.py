"""Benches that all keep a job with its soak and report at the same moment; prints how that went.

    python -m tests.hall.writers --benches 150      needs PostgreSQL; a minute
    python -m tests.hall.writers --one SOCKETS FOLDER NUMBERS FROM_S    (how it starts itself)

Each bench has a role of its own, and the server the hundred connections of Debian's default. Exit
code 1 when a job, a result or a report is missing, or a number was given twice.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

from soakmon.app.keep_results import KEEPS_TRYING_S
from soakmon.enrol.records_access import RecordsAccess
from soakmon.errors import InputError
from soakmon.records.jobs.store import Records
from soakmon.records.jobs.work import add_result, find_job, new_job
from soakmon.records.opening import now
from tests.hall.run import reachable_memory
from tests.hall.servers import HallDatabase

SHARES, SHOPS = 3, 4
READY_S = 20.0
# Of a report as the service keeps it, B: page, PDF with picture, readings.
REPORT = {"report.html": 130_000, "report.pdf": 184_000, "readings.csv": 190_000}


def shop_of(number: int) -> str:
    return f"shop-{number % SHOPS + 1}"


def opened(folder: Path, url: str) -> Records:
    """As the end of a soak has it."""
    return Records(folder, url, patience_s=KEEPS_TRYING_S)


def write(folder: Path, url: str, number: int) -> str:
    """What a bench does when a soak with a job is over; the job's number."""
    own = folder / f"{number:04d}"
    own.mkdir()
    files = []
    for name, size in REPORT.items():
        (own / name).write_bytes(os.urandom(size))
        files.append(own / name)
    with opened(own, url) as records, records.session() as session:
        job = new_job(session, now(), customer=f"Inventada {number}", machine="four-cylinder 750",
                      rack="four", carbs=4).number  # fmt: skip
    data = {"verdict": {"verdict": "tight"}, "curve": [[k, 0.1 * k] for k in range(500)]}
    with opened(own, url) as records, records.session() as session:
        add_result(
            session, find_job(session, job), now(), kind="soak", summary="tight", data=data,
            bench=f"bench-{number:04d}", files=[(records.files, one) for one in files],
        )  # fmt: skip
    return job


def share(sockets: Path, folder: Path, numbers: list[int], from_s: float) -> None:
    """Some of the benches, each in a thread, all from the same moment on; prints what came."""
    done: list[tuple[int, float, str]] = []
    wrong: list[str] = []

    def one(number: int) -> None:
        role = f"soakmon_{shop_of(number)}%2Fbench-{number:04d}"
        url = f"postgresql://{role}@/postgres?host={sockets}"
        time.sleep(max(from_s - time.time(), 0.0))
        try:
            job = write(folder, url, number)
            done.append((number, time.time() - from_s, job))
        except InputError as error:
            wrong.append(str(error)[-80:])

    threads = [threading.Thread(target=one, args=(number,)) for number in numbers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    print(json.dumps({"done": done, "wrong": wrong}))


def main() -> None:
    """As the module says."""
    asked = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    asked.add_argument("--benches", type=int, default=150)
    asked.add_argument("--one", nargs=4, metavar=("SOCKETS", "FOLDER", "NUMBERS", "FROM_S"))
    told = asked.parse_args()
    if told.one:
        sockets, folder, numbers, from_s = told.one
        share(Path(sockets), Path(folder), json.loads(numbers), float(from_s))
        return
    folder = Path(tempfile.mkdtemp(prefix="writers", dir=reachable_memory()))
    folder.chmod(0o755)
    database = HallDatabase(folder).start()
    try:
        well = run(database, folder, told.benches)
    finally:
        database.stop()
        shutil.rmtree(folder, ignore_errors=True)
    sys.exit(0 if well else 1)


def run(database: HallDatabase, folder: Path, benches: int) -> bool:
    """Let all in, let them write, look what is there; whether all is."""
    with closing(RecordsAccess(database.url)) as access:
        for number in range(benches):
            access.let_in(f"bench-{number:04d}", shop_of(number), "a word")
    before, from_s = database.cost(), time.time() + READY_S
    writers = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.hall.writers", "--one", str(database.folder), str(folder),
             json.dumps(list(range(benches))[k::SHARES]), str(from_s)],
            stdout=subprocess.PIPE, text=True,
        )
        for k in range(SHARES)
    ]  # fmt: skip
    most = 0
    while any(one.poll() is None for one in writers):
        most = max(most, database.connections())
        time.sleep(0.05)
    found = [json.loads(one.communicate()[0]) for one in writers]
    done = sorted((one for part in found for one in part["done"]), key=lambda one: one[1])
    wrong = [one for part in found for one in part["wrong"]]
    used = database.cost().since(before)
    counts = [
        int(database.asked(f"SELECT count(*) FROM {table}"))
        for table in ("job", "result", "attachment")
    ]
    twice = [job for job, count in Counter(one[2] for one in done).items() if count > 1]
    late = [one[1] for one in done]
    print(
        f"{benches} benches at once: {len(done)} kept, {len(wrong)} refused {sorted({*wrong})},"
        f" numbers given twice {len(twice)}; jobs, results, files {counts}\n"
        f"  after {late[0]:.1f} s the first, {late[len(late) // 2]:.1f} s half, {late[-1]:.1f} s"
        f" all; {most} connections at most; database {1e3 * used.cpu_s / benches:.0f} ms of CPU and"
        f" {used.in_b / benches / 1e3:.0f} kB written ahead for each; load of the machine"
        f" {os.getloadavg()[0]:.0f} on {os.cpu_count()} cores"
    )
    return not wrong and not twice and counts == [benches, benches, len(REPORT) * benches]


if __name__ == "__main__":
    main()
