"""An independent consumer: paho-mqtt, with a session that the broker keeps. Each message becomes a line of JSON in the
file named first: topic, payload in hex, whether it was retained. A message is acknowledged once its line is on disk, so
that what the consumer is killed over comes again. Prints `ready` once it is subscribed.

    consumer.py FILE HOST PORT CLIENT_ID [FILTER]
"""

import json
import os
import sys
import time

import paho.mqtt.client as mqtt

path, host, port, client_id = sys.argv[1:5]
topic_filter = sys.argv[5] if len(sys.argv) > 5 else "pondreeve/#"
out = open(path, "a", encoding="utf-8")


def connected(client, _data, _flags, reason, _properties):
    if not reason.is_failure:
        client.subscribe(topic_filter, qos=1)


def subscribed(_client, _data, _mid, _reasons, _properties):
    print("ready", flush=True)


def arrived(client, _data, message):
    line = {"topic": message.topic, "payload": message.payload.hex(), "retain": message.retain}
    out.write(json.dumps(line) + "\n")
    out.flush()
    os.fdatasync(out.fileno())
    client.ack(message.mid, message.qos)


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id, clean_session=False, manual_ack=True)
client.on_connect, client.on_subscribe, client.on_message = connected, subscribed, arrived
client.reconnect_delay_set(min_delay=1, max_delay=1)
while True:
    try:
        client.connect(host, int(port), keepalive=5)
        break
    except OSError:
        time.sleep(0.1)
client.loop_forever(retry_first_connection=True)
