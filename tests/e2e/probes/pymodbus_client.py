"""Reads simulated probes with pymodbus as an independent client.

Usage: pymodbus_client.py PORT rtu|ascii|tcp; for tcp PORT is a number on 127.0.0.1. Prints what it read.
"""

import struct
import sys

from pymodbus import FramerType, ModbusException
from pymodbus.client import ModbusSerialClient, ModbusTcpClient

PLACE, FRAMING = sys.argv[1:3]

if FRAMING == "tcp":
    client = ModbusTcpClient("127.0.0.1", port=int(PLACE), timeout=1, retries=1)
else:
    framer = FramerType.ASCII if FRAMING == "ascii" else FramerType.RTU
    client = ModbusSerialClient(PLACE, framer=framer, baudrate=9600, timeout=1, retries=1)
assert client.connect()

words = client.read_input_registers(0, count=4, device_id=11).registers
print("%.2f %.2f" % struct.unpack(">ff", struct.pack(">4H", *words)))
print(client.read_holding_registers(0, count=1, device_id=12).registers[0])
refused = client.read_holding_registers(900, count=1, device_id=12)
print("exception", refused.exception_code)
try:
    print("answered", client.read_holding_registers(0, count=1, device_id=90))
except ModbusException:
    print("silent")
client.close()
