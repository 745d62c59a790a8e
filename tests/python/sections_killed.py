"""Drive demo/sections_dask.py with three workers and kill one at its first section.

    sections_killed.py SURFACE SCAN OUT [OPTION...]

Prints the process numbers of the workers that the sections were begun on, the killed one first.
"""

import stat
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "demo"))

import sections_dask  # noqa: E402
from distributed import Client, LocalCluster  # noqa: E402

# Stands in for `surface`: the first worker that is given a section is killed in the middle of it.
WRAPPER = """#!/bin/sh
case "$*" in
*"--section "*)
    echo $PPID >> "{log}"
    if mkdir "{once}" 2>/dev/null; then kill -9 $PPID; exit 1; fi ;;
esac
exec "{surface}" "$@"
"""


def main():
    surface, scan, out, *options = sys.argv[1:]
    with tempfile.TemporaryDirectory() as folder:
        log, once = Path(folder, "log"), Path(folder, "once")
        wrapper = Path(folder, "surface")
        wrapper.write_text(WRAPPER.format(surface=surface, log=log, once=once))
        wrapper.chmod(wrapper.stat().st_mode | stat.S_IXUSR)
        cluster = LocalCluster(n_workers=3, threads_per_worker=1, dashboard_address=None)
        with cluster, Client(cluster) as client:
            code = sections_dask.fit(client, str(wrapper), [scan], out, 6, options)
        assert code in (0, 1), code
        print(" ".join(log.read_text().split()))


if __name__ == "__main__":
    main()
