"""A disk with a write cache that a power cut takes, served to the machine by NBD over a local socket.

Killing a virtual machine alone is a mild cut: all it had handed to its disk is there afterwards, flushed or not. Here
what was written lies in memory until the guest flushes, and a cut leaves of the rest what a real disk may leave: for
each block any of the states it had since the flush, now and then torn at a sector. A disk that `lies` says yes to a
flush and does nothing for a while: the control that must lose.
"""

import os
import socket
import struct
import threading

BLOCK = 4096
SECTOR = 512

# The numbers of the protocol (the NBD project's doc/proto.md).
GREETING = b"NBDMAGICIHAVEOPT"
OPTION = 0x49484156454F5054
OPTION_REPLY = 0x3E889045565A9
REQUEST, REPLY = 0x25609513, 0x67446698
FIXED_NEW_STYLE, NO_ZEROES = 1, 2
EXPORT_NAME, ABORT, INFO, GO = 1, 2, 6, 7
ACKNOWLEDGED, INFORMATION, UNSUPPORTED = 1, 3, (1 << 31) | 1
HAS_FLAGS, SENDS_FLUSH, SENDS_FUA = 1, 4, 8
READ, WRITE, DISCONNECT, FLUSH = 0, 1, 2, 3
FUA = 1
EINVAL = 22


class Disk:
    """The image on the host's disk is what is durable; `cache` has what is not, oldest state first, by block."""

    def __init__(self, image, address):
        self.image, self.address = image, address
        self.file = os.open(image, os.O_RDWR)
        self.size = os.fstat(self.file).st_size
        self.cache = {}
        self.lies = False
        self.flushes = self.bytes_written = 0
        self.guard = threading.Lock()
        if os.path.exists(address):
            os.unlink(address)
        self.listener = socket.socket(socket.AF_UNIX)
        self.listener.bind(address)
        self.listener.listen(1)
        threading.Thread(target=self.serve, daemon=True).start()

    # -- what the guest does

    def block(self, number):
        states = self.cache.get(number)
        return states[-1] if states else os.pread(self.file, BLOCK, number * BLOCK)

    def read(self, at, length):
        first, last = at // BLOCK, (at + length - 1) // BLOCK
        with self.guard:
            whole = bytearray(os.pread(self.file, (last - first + 1) * BLOCK, first * BLOCK))
            if self.cache:
                for number in range(first, last + 1):
                    states = self.cache.get(number)
                    if states:
                        place = (number - first) * BLOCK
                        whole[place : place + BLOCK] = states[-1]
        return bytes(whole[at - first * BLOCK :][:length])

    def write(self, at, data, through):
        with self.guard:
            self.bytes_written += len(data)
            while data:
                number, inside = divmod(at, BLOCK)
                part = data[: BLOCK - inside]
                new = part
                if len(part) < BLOCK:
                    old = self.block(number)
                    new = old[:inside] + part + old[inside + len(part) :]
                if through and not self.lies:
                    self.cache.pop(number, None)
                    os.pwrite(self.file, new, number * BLOCK)
                else:
                    self.cache.setdefault(number, []).append(new)
                at, data = at + len(part), data[len(part) :]

    def flush(self):
        with self.guard:
            self.flushes += 1
            if not self.lies:
                self.settle(lambda number, states: states[-1])

    def settle(self, chosen):
        for number, states in self.cache.items():
            kept = chosen(number, states)
            if kept is not None:
                os.pwrite(self.file, kept, number * BLOCK)
        self.cache = {}

    # -- what the power does

    def cut(self, dice):
        """The power is gone: of what was not flushed any part may be there. How many blocks that were, and how many
        of them are not as they were last."""
        with self.guard:
            blocks, gone = len(self.cache), 0

            # Sometimes nearly all had got there, sometimes next to nothing.
            share = dice.choice([0.0, 0.1, 0.5, 0.9, 1.0])

            def chosen(number, states):
                nonlocal gone
                if dice.random() < share:
                    return states[-1]
                gone += 1
                before = [os.pread(self.file, BLOCK, number * BLOCK)] + states[:-1]
                kept = dice.choice(before)
                if dice.random() < 0.2:
                    # Torn: the first sectors of one state, the last of the next.
                    at = dice.randrange(1, BLOCK // SECTOR) * SECTOR
                    kept = states[-1][:at] + kept[at:]
                return kept

            self.settle(chosen)
            return blocks, gone

    def off(self):
        """An orderly end: what is cached reaches the disk, as a machine's that is shut down does."""
        with self.guard:
            self.settle(lambda number, states: states[-1])

    # -- the protocol

    def serve(self):
        while True:
            try:
                line, _ = self.listener.accept()
            except OSError:
                return
            try:
                if self.greet(line):
                    self.answer(line)
            except (OSError, EOFError):
                pass
            line.close()

    @staticmethod
    def take(line, count):
        got = bytearray(count)
        view, filled = memoryview(got), 0
        while filled < count:
            more = line.recv_into(view[filled:])
            if not more:
                raise EOFError
            filled += more
        return bytes(got)

    def greet(self, line):
        line.sendall(GREETING + struct.pack(">H", FIXED_NEW_STYLE | NO_ZEROES))
        no_zeroes = struct.unpack(">I", self.take(line, 4))[0] & NO_ZEROES
        about = struct.pack(">QH", self.size, HAS_FLAGS | SENDS_FLUSH | SENDS_FUA)
        while True:
            magic, option, length = struct.unpack(">QII", self.take(line, 16))
            if magic != OPTION:
                return False
            self.take(line, length)
            if option == EXPORT_NAME:
                line.sendall(about + (b"" if no_zeroes else bytes(124)))
                return True

            def reply(kind, data=b"", option=option):
                line.sendall(struct.pack(">QIII", OPTION_REPLY, option, kind, len(data)) + data)

            if option in (GO, INFO):
                reply(INFORMATION, struct.pack(">H", 0) + about)
                reply(ACKNOWLEDGED)
                if option == GO:
                    return True
            elif option == ABORT:
                reply(ACKNOWLEDGED)
                return False
            else:
                reply(UNSUPPORTED)

    def answer(self, line):
        while True:
            magic, flags, kind, handle, at, length = struct.unpack(">IHHQQI", self.take(line, 28))
            if magic != REQUEST or kind == DISCONNECT:
                return
            error, data = 0, b""
            if kind == READ:
                data = self.read(at, length)
            elif kind == WRITE:
                self.write(at, self.take(line, length), flags & FUA)
            elif kind == FLUSH:
                self.flush()
            else:
                error = EINVAL
            line.sendall(struct.pack(">IIQ", REPLY, error, handle) + data)

    def close(self):
        # Closing alone does not wake who waits in accept.
        try:
            self.listener.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass
        self.listener.close()
        os.close(self.file)
