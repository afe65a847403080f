"""A plain poller with pymodbus: one unit after the other, as fast as the line allows.

Usage: bus_peer.py PORT BAUD SECONDS. Prints polls, seconds, and the processor time before the first poll.
"""

import sys
import time

from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient

PORT, BAUD, SECONDS = sys.argv[1], int(sys.argv[2]), float(sys.argv[3])
client = ModbusSerialClient(PORT, framer=FramerType.RTU, baudrate=BAUD, timeout=0.5, retries=1)
assert client.connect()
before = time.process_time()
began = time.monotonic()
polls = 0
while time.monotonic() - began < SECONDS:
    answer = client.read_input_registers(0, count=4, device_id=polls % 32 + 1)
    values = [word * 0.0001 for word in answer.registers]
    assert len(values) == 4
    polls += 1
print(polls, time.monotonic() - began, before)
