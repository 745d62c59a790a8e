"""Drive demo/sections_dask.py with three workers and kill one in the middle of its first section.

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

# Stands in for `surface`: the first process that is given a section is killed, and its worker, as soon
# as it holds the section's lock. What then is there of the section is noted.
WRAPPER = """#!/bin/sh
case "$*" in
*"--section "*)
    echo $PPID >> "{log}"
    if mkdir "{once}" 2>/dev/null; then
        "{surface}" "$@" & child=$!
        lock=
        while [ -z "$lock" ] && kill -0 $child; do
            lock=$(readlink /proc/$child/fd/* 2>/dev/null | grep 'heights-.*lock$')
        done
        kill -9 $child $PPID
        wait $child
        ls "$lock" "${{lock%.lock}}.done" > "{left}" 2>/dev/null
        exit 1
    fi ;;
esac
exec "{surface}" "$@"
"""


def main():
    surface, scan, out, *options = sys.argv[1:]
    with tempfile.TemporaryDirectory() as folder:
        log, once, left = (Path(folder, name) for name in ("log", "once", "left"))
        wrapper = Path(folder, "surface")
        wrapper.write_text(WRAPPER.format(surface=surface, log=log, once=once, left=left))
        wrapper.chmod(wrapper.stat().st_mode | stat.S_IXUSR)
        cluster = LocalCluster(n_workers=3, threads_per_worker=1, dashboard_address=None)
        with cluster, Client(cluster) as client:
            code = sections_dask.fit(client, str(wrapper), [scan], out, 6, options)
        assert code in (0, 1), code
        # It had begun, and was not done.
        (there,) = left.read_text().split()
        assert there.endswith(".lock"), there
        print(" ".join(log.read_text().split()))


if __name__ == "__main__":
    main()
