"""What a disk can do: is a folder on this machine's own disk, or on one that another machine serves?"""

from __future__ import annotations

import os
import re
import sys
from pathlib import Path

_NETWORK = {
    "nfs", "nfs3", "nfs4", "cifs", "smb", "smb2", "smb3", "smbfs", "afs", "coda", "ncpfs", "9p", "ceph", "lustre",
    "gpfs", "beegfs", "glusterfs", "gfs2", "ocfs2", "orangefs", "webdav", "davfs", "vboxsf", "vmhgfs", "prl_fs",
    "virtiofs",
}  # fmt: skip
# what FUSE serves is as a rule another machine; these serve a local disk
_LOCAL_FUSE = {"fuseblk", "fuse.ntfs", "fuse.ntfs-3g", "fuse.exfat", "fuse.ext2", "fuse.bindfs", "fuse.mergerfs"}


def on_network(folder: Path) -> bool:
    """Is the folder on a network disk, as far as the system tells?

    WAL needs memory shared between all who have the book open, which network folders do not give.
    Linux: the mount's type. Windows: a UNC path or a drive of type remote. Elsewhere a folder below
    /Volumes or /Network counts as one, since an unneeded caution only costs speed. LOADBOOK_NETWORK=yes or no
    settles what the system does not tell.
    """
    said = os.environ.get("LOADBOOK_NETWORK", "").strip().lower()
    if said in ("yes", "no"):
        return said == "yes"
    folder = folder.resolve()
    if sys.platform.startswith("linux"):
        try:
            mounts = Path("/proc/self/mounts").read_text(encoding="utf-8", errors="surrogateescape")
        except OSError:
            return False
        return network_type(mount_type(mounts, str(folder)))
    if os.name == "nt":  # pragma: no cover - not run on the test machine
        text = str(folder)
        if text.startswith("\\\\"):
            return True
        import ctypes

        drive_remote = 4
        return bool(ctypes.windll.kernel32.GetDriveTypeW(folder.anchor) == drive_remote)  # type: ignore[attr-defined,unused-ignore]
    return str(folder).startswith(("/Volumes/", "/Network/"))


def may_keep(folder: Path) -> bool:
    """May anything be left in a folder for the next question?"""
    return os.access(folder, os.W_OK) and not on_network(folder)


def mount_type(mounts: str, folder: str) -> str | None:
    """Type of the file system that holds a folder, from a table like /proc/self/mounts; None where none does.

    >>> mount_type("a / ext4 rw 0 0\\nb /mnt/shop\\\\040disk nfs4 rw 0 0", "/mnt/shop disk/book")
    'nfs4'
    """
    best, kind = "", None
    for line in mounts.splitlines():
        fields = line.split(" ")
        if len(fields) < 3:
            continue
        point = re.sub(r"\\([0-7]{3})", lambda m: chr(int(m[1], 8)), fields[1])
        inside = folder == point or folder.startswith(point.rstrip("/") + "/")
        if inside and len(point) >= len(best):  # a later mount hides an earlier one of the same place
            best, kind = point, fields[2]
    return kind


def network_type(kind: str | None) -> bool:
    """Is a file system of this type served by another machine (or by a host to its guest)?"""
    return kind is not None and (kind in _NETWORK or (kind.startswith("fuse.") and kind not in _LOCAL_FUSE))
