"""A plain peer for the whole-path bench: what a careful person would write in an afternoon.

Subscribes at QoS 1, reads each JSON payload, keeps one row per value in SQLite (WAL, synchronous FULL),
one transaction a second. Prints `ready` when subscribed, and one JSON line when asked to stop.
"""

import json
import resource
import signal
import sqlite3
import sys
import threading
import time

import paho.mqtt.client as mqtt

port, path = int(sys.argv[1]), sys.argv[2]
db = sqlite3.connect(path, check_same_thread=False)
db.execute("PRAGMA journal_mode=WAL")
db.execute("PRAGMA synchronous=FULL")
db.execute("CREATE TABLE readings (at REAL, topic TEXT, quantity TEXT, value REAL)")
pending, lock, stop = [], threading.Lock(), threading.Event()
rows = 0


def on_connect(client, _userdata, _flags, _reason, _properties):
    client.subscribe("bench/#", qos=1)


def on_subscribe(*_):
    print("ready", flush=True)


def on_message(_client, _userdata, message):
    now = time.time()
    payload = json.loads(message.payload)
    with lock:
        for key, value in payload.items():
            pending.append((now, message.topic, key, value))


def commit():
    global rows
    with lock:
        batch, pending[:] = list(pending), []
    if batch:
        with db:
            db.executemany("INSERT INTO readings VALUES (?, ?, ?, ?)", batch)
        rows += len(batch)


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="plain-peer", clean_session=False)
client.on_connect, client.on_subscribe, client.on_message = on_connect, on_subscribe, on_message
client.connect("127.0.0.1", port)
client.loop_start()
signal.signal(signal.SIGTERM, lambda *_: stop.set())
wanted = int(sys.argv[3])
while not stop.wait(1.0):
    commit()
    if rows >= wanted:
        break
commit()
client.loop_stop()
use = resource.getrusage(resource.RUSAGE_SELF)
print(json.dumps({"rows": rows, "cpu_s": use.ru_utime + use.ru_stime, "done_at": time.time()}), flush=True)
