"""What the campaigns share, those in `tests/vm` too."""

import os
import re
import socket
import struct
import time

PATIENCE_S = 60
UNIT = os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../deploy/systemd/pondreeve.service")


def unit_environment():
    """What the unit sets for the daemon: without it the system's allocator lets memory grow by pieces that it keeps."""
    with open(UNIT, encoding="utf-8") as unit:
        variables = dict(re.findall(r"^Environment=(\w+)=(\S+)$", unit.read(), re.M))
    if not variables:
        raise RuntimeError(f"{UNIT} sets no environment")
    return variables


def wait_for(what, done, patience_s=PATIENCE_S, pause_s=0.02):
    began = time.monotonic()
    while True:
        value = done()
        if value:
            return value
        if time.monotonic() - began > patience_s:
            raise TimeoutError(f"gave up after {patience_s} s waiting for {what}")
        time.sleep(pause_s)


def free_port():
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return found.getsockname()[1]


def crc(frame):
    """The checksum of a Modbus RTU frame, as it follows the frame."""
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return struct.pack("<H", value)
