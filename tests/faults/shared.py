"""What the campaigns share, those in `tests/vm` too."""

import socket
import struct
import time

PATIENCE_S = 60


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
