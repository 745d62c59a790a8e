"""Fit the sections of a course on the workers of a Dask cluster.

    sections_dask.py --out DIR [--sections N] [--workers N | --scheduler ADDRESS]
                     [--surface PROGRAM] SCAN... [-- OPTION...]

Every worker must see DIR (and the folder of --scratch) under the same path. What follows `--` goes
to `surface fit`. The exit code is that of `surface fit`.

Needs the Python package `distributed`.
"""

import argparse
import json
import subprocess
import sys

from distributed import Client, LocalCluster


def fit_section(surface, out, section, options):
    """Fit one section; a section that is fitted already is done at once."""
    command = [surface, "fit", "--out", out, "--section", str(section), *options]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    return section


def scratch_of(options):
    """The part of the options that a section needs too."""
    at = options.index("--scratch") if "--scratch" in options else None
    return [] if at is None else options[at : at + 2]


def fit(client, surface, scans, out, sections, options):
    """Plan, fit the sections on the workers, join; the exit code of the last."""
    whole = [surface, "fit", *scans, "--out", out, *options]
    planned = [*whole, "--sections", str(sections), "--format", "json"]
    plan = json.loads(subprocess.run(planned, check=True, stdout=subprocess.PIPE).stdout)
    numbers = [section["section"] for section in plan["sections"]]
    # A section whose worker is lost begins again on another.
    futures = client.map(
        lambda k: fit_section(surface, out, k, scratch_of(options)), numbers, retries=2
    )
    client.gather(futures)
    return subprocess.run(whole).returncode


def arguments():
    typed = sys.argv[1:]
    at = typed.index("--") if "--" in typed else len(typed)
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("scans", nargs="+", metavar="SCAN")
    parser.add_argument("--out", required=True, metavar="DIR")
    parser.add_argument("--sections", type=int, default=8, metavar="N")
    parser.add_argument("--workers", type=int, default=2, metavar="N")
    parser.add_argument("--scheduler", metavar="ADDRESS")
    parser.add_argument("--surface", default="surface", metavar="PROGRAM")
    return parser.parse_args(typed[:at]), typed[at + 1 :]


def main():
    given, options = arguments()
    if given.scheduler:
        client = Client(given.scheduler)
    else:
        client = Client(LocalCluster(n_workers=given.workers, threads_per_worker=1))
    with client:
        return fit(client, given.surface, given.scans, given.out, given.sections, options)


if __name__ == "__main__":
    sys.exit(main())
