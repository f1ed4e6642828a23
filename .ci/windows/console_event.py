"""Start the command, send it a console event once its supply is on, and tell how it ended, as JSON.

console_event.py EVENT PORT ARGUMENTS...: EVENT is 0 for Ctrl-C, 1 for Ctrl-Break, 2 for a closed window; PORT is where
the supply of the bench listens. The event is made as Windows makes it, by a thread in the process that begins in the
system's own routine: Wine's console has no closed windows, and its Ctrl-Break ends a thread of the process instead.
"""

from __future__ import annotations

import ctypes
import json
import socket
import subprocess
import sys
import time
from typing import Any

PATIENCE = 60.0  # s; what hangs fails, what is slow does not
ALL_ACCESS = 0x1F0FFF


def is_on(port: int) -> bool:
    """What the supply itself says."""
    with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE) as connection:
        connection.sendall(b"OUTPut:STATe?\n")
        return connection.makefile().readline().strip() == "1"


def send(event: int, process: int) -> None:
    """Have the system's routine called in the process."""
    kernel: Any = vars(ctypes)["windll"].kernel32
    address = ctypes.c_void_p
    for name, result, arguments in [
        ("OpenProcess", address, [ctypes.c_uint32, ctypes.c_int, ctypes.c_uint32]),
        ("GetModuleHandleW", address, [ctypes.c_wchar_p]),
        ("GetProcAddress", address, [address, ctypes.c_char_p]),
        (
            "CreateRemoteThread",
            address,
            [address, address, ctypes.c_size_t, address, address, ctypes.c_uint32, address],
        ),
    ]:
        function = getattr(kernel, name)
        function.restype, function.argtypes = result, arguments
    routine = kernel.GetProcAddress(kernel.GetModuleHandleW("kernelbase.dll"), b"CtrlRoutine")
    opened = kernel.OpenProcess(ALL_ACCESS, 0, process)
    if not (routine and opened and kernel.CreateRemoteThread(opened, None, 0, routine, event, 0, None)):
        raise OSError("the event cannot be sent")


def main(event: int, port: int, arguments: list[str]) -> None:
    """Do it."""
    command = [sys.executable, "-m", "wavewright", *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as started:
        end = time.monotonic() + PATIENCE
        while started.poll() is None and time.monotonic() < end and not is_on(port):
            pass
        was_running = started.poll() is None
        begin = time.monotonic()
        if was_running:
            send(event, started.pid)
        while is_on(port) and time.monotonic() < begin + PATIENCE:
            pass
        off_after = time.monotonic() - begin
        try:
            output, errors = started.communicate(timeout=PATIENCE)
        except subprocess.TimeoutExpired:
            started.kill()
            output, errors = started.communicate()
        told = {
            "was_running": was_running,
            "status": started.returncode,
            "off_after": round(off_after, 2),
            "ended_after": round(time.monotonic() - begin, 2),
            "stdout": output.decode(errors="replace"),
            "stderr": errors.decode(errors="replace"),
        }
    print(json.dumps(told))


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), sys.argv[3:])
