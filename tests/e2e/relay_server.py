"""An oxygen probe and a relay on one Modbus RTU line, served by pymodbus, which knows nothing of ours.

Usage: relay_server.py PORT. Prints `ready`, then `coil N on` or `coil N off` whenever one is switched. Takes
`oxygen MG_L`, `pull` (the relay falls silent) and `plug` as lines on standard input.
"""

import asyncio
import struct
import sys

from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

PROBE, RELAY = 11, 60
COILS = 4

pulled = False


def nothing(datatype):
    values = [False] * 16 if datatype == DataType.BITS else 0
    return [SimData(9999, values=values, datatype=datatype)]


def device(unit, coils=None, inputs=None):
    bits, words = DataType.BITS, DataType.REGISTERS
    return SimDevice(unit, (coils or nothing(bits), nothing(bits), nothing(words), inputs or nothing(words)))


DEVICES = [
    device(PROBE, inputs=[SimData(0, values=[6.4, 29.0], datatype=DataType.FLOAT32)]),
    device(RELAY, coils=[SimData(0, values=[True] * 16, datatype=DataType.BITS)]),
]


def mute(sending, data):
    """A relay that was pulled off gets no word out."""
    return b"" if sending and pulled and data[:1] == bytes([RELAY]) else data


async def commands(server):
    global pulled
    reader = asyncio.StreamReader()
    loop = asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    while line := (await reader.readline()).decode().split():
        if line[0] == "oxygen":
            words = list(struct.unpack(">2H", struct.pack(">f", float(line[1]))))
            await server.async_setValues(PROBE, 4, 0, words)
        else:
            pulled = line[0] == "pull"


async def watch(server):
    known = [None] * COILS
    while True:
        now = (await server.async_getValues(RELAY, 1, 0, COILS))[:COILS]
        for coil, (before, state) in enumerate(zip(known, now)):
            if before != state:
                print(f"coil {coil} {'on' if state else 'off'}", flush=True)
        known = now
        await asyncio.sleep(0.01)


async def main():
    server = ModbusSerialServer(DEVICES, port=sys.argv[1], baudrate=9600, trace_packet=mute)
    await server.serve_forever(background=True)
    print("ready", flush=True)
    await asyncio.gather(commands(server), watch(server))


asyncio.run(main())
