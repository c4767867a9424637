"""Become another program, tied to the life of the parent and under the wanted identity.

Run by path with ``python -I -S``, so it imports the standard library only::

    launcher.py PARENT_PID DEATH_SIGNAL IDENTITY PROGRAM [ARGUMENT…]

IDENTITY is ``same``, ``map:UID`` (a new user namespace in which we are called UID, while every file
and signal is still checked as before) or ``drop:UID:GID``. It ends with status 126 and one
line on standard error when the kernel refuses.
"""

import ctypes
import os
import sys
from pathlib import Path

CLONE_NEWUSER = 0x10000000  # linux/sched.h
PR_SET_PDEATHSIG = 1  # linux/prctl.h
REFUSED = 126


def call(function: str, *arguments: int) -> None:
    """Call a function of the C library; ``OSError`` when it answers -1."""
    libc = ctypes.CDLL(None, use_errno=True)
    if getattr(libc, function)(*arguments) == -1:
        number = ctypes.get_errno()
        raise OSError(number, f"{function}: {os.strerror(number)}")


def take_identity(identity: str) -> None:
    """Change who we are, for good."""
    kind, *numbers = identity.split(":")
    if kind == "map":
        uid, gid = os.geteuid(), os.getegid()
        call("unshare", CLONE_NEWUSER)
        # user_namespaces(7): without this, writing gid_map needs CAP_SETGID outside
        Path("/proc/self/setgroups").write_text("deny")
        Path("/proc/self/uid_map").write_text(f"{numbers[0]} {uid} 1")
        Path("/proc/self/gid_map").write_text(f"{numbers[0]} {gid} 1")
    elif kind == "drop":
        os.setgroups([])
        os.setgid(int(numbers[1]))
        os.setuid(int(numbers[0]))


def main() -> None:
    parent, death_signal, identity, *command = sys.argv[1:]
    try:
        take_identity(identity)
        # After the identity: a change of credentials clears it, prctl(2).
        call("prctl", PR_SET_PDEATHSIG, int(death_signal), 0, 0, 0)
        # The parent may have gone before the line above.
        if os.getppid() != int(parent):
            sys.exit(REFUSED)
        os.execv(command[0], command)
    except OSError as error:
        sys.stderr.write(f"{command[0]}: {error.strerror or error}\n")
        sys.exit(REFUSED)


if __name__ == "__main__":
    main()
