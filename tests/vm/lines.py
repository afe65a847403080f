"""Serial lines with a probe on them, outside the guest: what qemu's serial ports and adapters are connected to."""

import os
import select
import socket
import struct
import sys
import threading
import time

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "faults"))
from shared import crc  # noqa: E402


class Line:
    """One Modbus RTU probe, as the generic profile has it: 32-bit floats in input registers. `answered` has the time
    and the value of each answer."""

    def __init__(self, path, address, value):
        self.path, self.address, self.value = path, address, value
        self.answered = []
        self.silent = False
        if os.path.exists(path):
            os.unlink(path)
        self.listener = socket.socket(socket.AF_UNIX)
        self.listener.bind(path)
        self.listener.listen(1)
        threading.Thread(target=self.serve, daemon=True).start()

    def serve(self):
        while True:
            line, _ = self.listener.accept()
            try:
                self.answer(line)
            except OSError:
                pass
            line.close()

    def answer(self, line):
        got = b""
        while True:
            # What is left of a frame after a pause is noise, as on a wire.
            ready, _, _ = select.select([line], [], [], 0.5)
            if not ready:
                got = b""
                continue
            more = line.recv(256)
            if not more:
                return
            got += more
            while len(got) >= 8:
                frame, rest = got[:8], got[8:]
                if crc(frame[:6]) != frame[6:]:
                    got = got[1:]
                    continue
                got = rest
                unit, function, address, count = struct.unpack(">BBHH", frame[:6])
                if unit != self.address or function != 4 or self.silent:
                    continue
                value = self.value() if callable(self.value) else self.value
                words = []
                for register in range(address, address + count):
                    # Oxygen first, then temperature.
                    number = value if register < 2 else 28.5
                    words.append(struct.unpack(">HH", struct.pack(">f", number))[register % 2])
                body = struct.pack(">BBB", unit, function, 2 * count) + struct.pack(f">{count}H", *words)
                line.sendall(body + crc(body))
                self.answered.append((time.monotonic(), value))
