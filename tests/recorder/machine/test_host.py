"""Kinds of disk told from the mount table; clocks and memory of this machine."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.machine.clocks import read_clocks
from recorder.machine.host import free_bytes, network_disk, rss_bytes

MOUNTS = """\
22 1 254:0 / / rw,relatime - ext4 /dev/vda rw
30 22 0:40 / /srv rw - nfs4 server:/srv rw
31 22 0:41 / /srv/local rw - xfs /dev/vdb rw
32 22 0:42 / /home/crew/my\\040share rw - cifs //server/share rw
33 22 0:43 / /media/stick rw - fuseblk /dev/sdb1 rw
34 22 0:44 / /cloud rw - fuse.sshfs me@there: rw
nonsense
35 22 - ext4
"""


@pytest.mark.parametrize(
    ("folder", "kind"),
    [
        ("/", ""),
        ("/srv", "nfs4"),
        ("/srv/runs/2026", "nfs4"),
        ("/srvx", ""),
        ("/srv/local/runs", ""),
        ("/home/crew/my share/runs", "cifs"),
        ("/media/stick", ""),
        ("/cloud/a", "fuse.sshfs"),
    ],
)
def test_network_disks_are_known(folder: str, kind: str) -> None:
    assert network_disk(Path(folder), mounts=MOUNTS) == kind


def test_the_machine_tells_of_itself(tmp_path: Path) -> None:
    assert free_bytes(tmp_path) > 0
    assert rss_bytes() > 2**20
    first, second = read_clocks(), read_clocks()
    assert second.monotonic_ns >= first.monotonic_ns
    assert first.utc_ns > 1_600_000_000 * 10**9
