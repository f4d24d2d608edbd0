"""What a disk can do, and how a file gets onto it so that an interruption leaves nothing that counts.

Every file is written under a name of its own beside its place, `.NAME.MACHINE-PROCESS.part`, flushed, and only then
given its name. A killed command leaves such a part; it counts for nothing, and the next command that writes there
removes those whose process is gone (`sweep`). A part of a living process, or of another machine, is left alone.
"""

from __future__ import annotations

import contextlib
import hashlib
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
_PART = re.compile(r"\.(?P<name>.+)\.(?P<machine>[0-9a-f]{8})-(?P<process>\d+)\.part(-journal|-wal|-shm)?", re.DOTALL)


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


def machine_name() -> str:
    """This machine's name on its network."""
    import platform

    return platform.node()


def machine() -> str:
    """A short name of this machine, fit for a file's name."""
    return hashlib.sha256(machine_name().encode()).hexdigest()[:8]


def part_of(final: Path) -> Path:
    """The name under which this process writes what will stand at `final`."""
    return final.with_name(f".{final.name}.{machine()}-{os.getpid()}.part")


def place_new(part: Path, final: Path) -> None:
    """Give a finished part its name, never one that is taken. Raises FileExistsError, OSError."""
    if os.name == "nt":  # pragma: no cover - not run on the test machine
        part.rename(final)  # refuses a taken name there
    else:
        try:
            os.link(part, final)  # refuses a taken name, and no other program can slip in between
        except FileExistsError:
            raise
        except OSError:  # a disk without hard links
            if final.exists():
                raise FileExistsError(17, "there is a file of that name already", str(final)) from None
            part.replace(final)
        else:
            part.unlink()
    sync_folder(final.parent)


def sweep(folder: Path, name: str = "") -> list[Path]:
    """Remove the parts in a folder that killed commands of this machine left; give back those removed.

    name  only parts of what was to have a name that begins so
    """
    gone = []
    with contextlib.suppress(OSError):
        for path in folder.iterdir():
            found = _PART.fullmatch(path.name) if path.name.startswith(f".{name}") else None
            if found is None or found["machine"] != machine() or alive(int(found["process"])):
                continue
            with contextlib.suppress(OSError):
                if path.is_dir() and not path.is_symlink():
                    import shutil

                    shutil.rmtree(path)
                else:
                    path.unlink()
                gone.append(path)
    return gone


def is_part(path: Path) -> bool:
    """Is this the name of a part, of whichever process?"""
    return _PART.fullmatch(path.name) is not None


def alive(process: int) -> bool:
    """Is there a process of that number on this machine?"""
    if os.name == "nt":  # pragma: no cover - not run on the test machine
        import ctypes

        kernel = ctypes.windll.kernel32  # type: ignore[attr-defined,unused-ignore]
        handle = kernel.OpenProcess(0x1000, False, process)  # PROCESS_QUERY_LIMITED_INFORMATION
        if not handle:
            return bool(kernel.GetLastError() == 5)  # access denied: it lives, under another user
        code = ctypes.c_ulong()
        kernel.GetExitCodeProcess(handle, ctypes.byref(code))
        kernel.CloseHandle(handle)
        return code.value == 259  # STILL_ACTIVE
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (PermissionError, OverflowError):
        return True
    return True
