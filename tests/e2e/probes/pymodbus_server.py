"""A bus of Modbus RTU probes served by pymodbus: a second implementation that knows nothing of ours.

Usage: pymodbus_server.py PORT [rtu|ascii|tcp]; for tcp PORT is a number on 127.0.0.1. Prints `ready` once it serves.
"""

import asyncio
import struct
import sys
import time

from pymodbus import FramerType, ModbusDeviceIdentification
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


def registers(fmt, *values):
    """Register words of numbers packed by Python's own struct module."""
    data = struct.pack(fmt, *values)
    return list(struct.unpack(f">{len(data) // 2}H", data))


def swapped(words):
    """Both words of each pair exchanged."""
    return [word for pair in zip(words[1::2], words[0::2]) for word in pair]


def words(address, values):
    return SimData(address, values=values, datatype=DataType.REGISTERS)


def device(unit, holding=None, inputs=None, coils=None):
    """A device with separate tables; one that has no such table has one word far away."""
    nothing = [SimData(9999, values=0, datatype=DataType.REGISTERS)]
    bits = [SimData(9999, values=[False] * 16, datatype=DataType.BITS)]
    return SimDevice(unit, (coils or bits, bits, holding or nothing, inputs or nothing))


DEVICES = [
    # The optical oxygen probe, its floats laid out by pymodbus itself.
    device(11, inputs=[SimData(0, values=[6.42, 28.9], datatype=DataType.FLOAT32)]),
    # pH 7.86 in hundredths.
    device(12, holding=[words(0, [786])]),
    # Conductivity, temperature, salinity: floats with their words exchanged.
    device(13, inputs=[words(0, swapped(registers(">fff", 29.3, 28.8, 18.2)))]),
    # A pH transmitter where the configuration expects an oxygen probe.
    device(14, inputs=[words(0, [786])]),
    # An oxygen probe whose oxygen is not a number.
    device(15, inputs=[words(0, registers(">ff", float("nan"), 27.5))]),
    # An oxygen probe that keeps its salinity setting, 20.5 PSU in tenths, in a holding register.
    device(16, holding=[words(30, [205])], inputs=[SimData(0, values=[6.1, 29.2], datatype=DataType.FLOAT32)]),
    # pH 8.02, behind three bytes of noise; a line that flips a bit of every answer; and one that takes its time.
    device(20, holding=[words(0, [802])]),
    device(21, holding=[words(0, [790])]),
    device(22, holding=[words(0, [811])]),
    # Light and, in pascal, pressure.
    device(40, holding=[words(0, [1450, 0] + registers(">I", 101132))]),
    # Three clamps: running at 4.41 kW, stopped, running at 2.15 kW.
    device(51, inputs=[words(0, [1, 441]), words(10, [0, 0]), words(20, [1, 215])]),
    # The meter's clamp is on the wrong way round: −4.4 kW in tenths of a watt, words exchanged.
    device(52, holding=[words(18, swapped(registers(">i", -44000)))]),
    # A relay for the horn.
    device(60, coils=[SimData(0, values=[False] * 16, datatype=DataType.BITS)]),
    # Dead: see `mute`.
    device(90, inputs=[words(0, [1, 2, 3, 4])]),
]


KNOWN = {own.id for own in DEVICES}

NAME = ModbusDeviceIdentification(info_name={"VendorName": "Bench", "ProductCode": "B-1", "MajorMinorRevision": "2.0"})


def line_of(sending, data):
    """Who is not there says nothing, where pymodbus would refuse in its name; unit 90 never gets a word out."""
    if not sending:
        return data
    is_text = FRAMING == "ascii"
    unit = int(data[1:3], 16) if is_text else data[0]
    if unit == 90 or unit not in KNOWN:
        return b""
    if unit == 20:
        return b"\xff\x00\xa5" + data
    if unit == 21:
        if is_text:
            return data[:5] + (b"1" if data[5:6] != b"1" else b"2") + data[6:]
        return bytes([data[0], data[1], data[2] ^ 0x10]) + data[3:]
    if unit == 22:
        time.sleep(0.26)
    return data


FRAMING = sys.argv[2] if len(sys.argv) > 2 else "rtu"


async def main():
    if FRAMING == "tcp":
        address = ("127.0.0.1", int(sys.argv[1]))
        server = ModbusTcpServer(DEVICES, address=address, identity=NAME)
    else:
        framer = FramerType.ASCII if FRAMING == "ascii" else FramerType.RTU
        server = ModbusSerialServer(
            DEVICES, framer=framer, port=sys.argv[1], baudrate=9600, identity=NAME, trace_packet=line_of
        )
    await server.serve_forever(background=True)
    print("ready", flush=True)
    await asyncio.Event().wait()


asyncio.run(main())
