"""A pH transmitter at address 30 that hears one speed only, on a pseudo-terminal of its own.

Usage: one_speed_server.py LINK SPEED. Prints `ready` once LINK is there. A pseudo-terminal keeps the speed its user
has set; at another one a real line would carry other bytes, so what comes then is dropped.
"""

import fcntl
import os
import struct
import sys
import tty

from pymodbus.framer import FramerRTU

TCGETS2 = 0x802C542A


def speed(port):
    """Output speed of the terminal as its user has set it (struct termios2)."""
    return struct.unpack_from("I", fcntl.ioctl(port, TCGETS2, bytes(44)), 40)[0]


def framed(body):
    crc = FramerRTU.compute_CRC(body)
    return body + struct.pack(">H", crc)


link, wanted = sys.argv[1], int(sys.argv[2])
port, theirs = os.openpty()
tty.setraw(theirs)
os.symlink(os.ttyname(theirs), link)
print("ready", flush=True)
received = b""
while True:
    received += os.read(port, 256)
    if speed(port) != wanted:
        received = b""
    while len(received) >= 8:
        request, received = received[:8], received[8:]
        if framed(request[:6]) != request or request[0] != 30:
            continue
        _, function, address, count = struct.unpack(">BBHH", request[:6])
        if (function, address, count) == (3, 0, 1):
            os.write(port, framed(struct.pack(">BBBH", 30, 3, 2, 812)))
        else:
            os.write(port, framed(bytes([30, function | 0x80, 2])))
