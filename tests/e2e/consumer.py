"""An independent consumer: paho-mqtt, with a session that the broker keeps. Each message becomes a line of JSON in the
file named first: topic, payload in hex, whether it was retained, whether the broker marks it as sent
before (a delivery that this consumer had not acknowledged), when it came. A message is acknowledged once its line is on disk, so
that what the consumer is killed over comes again. Prints `ready` once it is subscribed.

    consumer.py FILE HOST PORT[,PORT...] CLIENT_ID [FILTER]

Of several ports the next is taken whenever a connection is lost.
"""

import json
import os
import sys
import time

import paho.mqtt.client as mqtt

path, host, port, client_id = sys.argv[1:5]
topic_filter = sys.argv[5] if len(sys.argv) > 5 else "pondreeve/#"
out = open(path, "a", encoding="utf-8")


def say_ready():
    try:
        print("ready", flush=True)
    except BrokenPipeError:
        pass


def connected(client, _data, _flags, reason, _properties):
    if not reason.is_failure:
        client.subscribe(topic_filter, qos=1)


def subscribed(client, _data, _mid, reasons, _properties):
    if any(reason.is_failure for reason in reasons):
        # A cluster that has just lost its leader refuses for a while.
        client.disconnect()
    else:
        say_ready()


def arrived(client, _data, message):
    line = {"topic": message.topic, "payload": message.payload.hex(), "retain": message.retain,
            "dup": message.dup, "at": time.time()}
    out.write(json.dumps(line) + "\n")
    out.flush()
    os.fdatasync(out.fileno())
    client.ack(message.mid, message.qos)


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id, clean_session=False, manual_ack=True)
client.on_connect, client.on_subscribe, client.on_message = connected, subscribed, arrived
ports = [int(own) for own in port.split(",")]
turn = 0
while True:
    try:
        client.connect(host, ports[turn % len(ports)], keepalive=5)
        while client.loop(timeout=1.0) == mqtt.MQTT_ERR_SUCCESS:
            pass
    except OSError:
        pass
    turn += 1
    time.sleep(0.2)
