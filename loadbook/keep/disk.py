"""What kind of disk a folder is on: WAL needs shared memory, which network folders do not give."""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path

_NETWORK = {
    "nfs", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "afs", "ncpfs", "9p", "fuse.sshfs", "fuse.rclone",
    "fuse.glusterfs", "ceph", "lustre", "webdav", "davfs", "fuse.davfs2", "vboxsf", "fuse.vmhgfs-fuse",
}  # fmt: skip


def _linux_type(folder: Path) -> str | None:
    best, kind = "", None
    try:
        mounts = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    target = str(folder)
    for line in mounts.splitlines():
        fields = line.split(" ")
        if len(fields) < 3:
            continue
        point = fields[1].encode().decode("unicode_escape", "replace")
        inside = target == point or target.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(best):
            best, kind = point, fields[2]
    return kind


def on_network(folder: Path) -> bool:
    """Is the folder on a network disk, as far as the system tells?

    Linux: the mount's type. Windows: a UNC path or a drive of type remote. Elsewhere a folder below
    /Volumes or /Network counts as one, since an unneeded caution only costs speed.
    """
    folder = folder.resolve()
    if sys.platform.startswith("linux"):
        return _linux_type(folder) in _NETWORK
    if os.name == "nt":  # pragma: no cover - not run on the test machine
        text = str(folder)
        if text.startswith("\\\\"):
            return True
        import ctypes

        drive_remote = 4
        return bool(ctypes.windll.kernel32.GetDriveTypeW(folder.anchor) == drive_remote)  # type: ignore[attr-defined,unused-ignore]
    return str(folder).startswith(("/Volumes/", "/Network/"))


def sync_folder(folder: Path) -> None:
    """Make a rename in a folder durable. Where folders cannot be opened (Windows), or a network disk does not flush
    them, the rename alone must do."""
    if os.name == "nt":  # pragma: no cover - not run on the test machine
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):
            os.fsync(handle)
    finally:
        os.close(handle)
