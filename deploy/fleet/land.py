#!/usr/bin/env python3
"""The load step: from the cluster's MQTT into PostgreSQL. Debian: python3-paho-mqtt (2.x, or from PyPI) and
python3-psycopg2. A message is acknowledged only once its row is committed, so what this is killed over comes again, and
`pondreeve.land` takes a repeat for what it is. What no table takes (another topic, CBOR, what is no message of
deploy/schema) is kept as it came in `pondreeve.refused`: one gateway that is set up wrongly does not hold up the others.
One such process keeps up with some thousand messages a second; more than one need topic filters that do not overlap
and client ids of their own.

    land.py HOST[,HOST...] PORT[,PORT...] 'dbname=farms' [--client landing] [--filter 'pondreeve/#']

User and password of the broker: PONDREEVE_MQTT_USER and PONDREEVE_MQTT_PASSWORD; certificates to trust:
PONDREEVE_MQTT_CA (switches TLS on). Ends with an error where the database cannot be reached: whatever runs it starts it
again.
"""

import argparse
import os
import time

import paho.mqtt.client as mqtt
import psycopg2

arguments = argparse.ArgumentParser(description="from the cluster's MQTT into PostgreSQL")
arguments.add_argument("host", help="one, or several parted by commas: the next is tried when a connection is lost")
arguments.add_argument("port", help="one, or several parted by commas: each is tried on each host")
arguments.add_argument("database", help="as psql takes it, such as dbname=farms")
arguments.add_argument("--client", default="landing")
arguments.add_argument("--filter", default="pondreeve/#")
asked = arguments.parse_args()

# What no other attempt would mend: the message itself is wrong. ValueError: it is no text, or has a NUL in it.
REFUSED = (ValueError, psycopg2.DataError, psycopg2.IntegrityError, psycopg2.errors.RaiseException)

database = psycopg2.connect(asked.database)
waiting = []


def say(text):
    print(text, flush=True)


def connected(client, _data, _flags, reason, _properties):
    if reason.is_failure:
        say(f"the broker refuses the connection: {reason}")
    else:
        client.subscribe(asked.filter, qos=1)


def subscribed(client, _data, _mid, reasons, _properties):
    if any(reason.is_failure for reason in reasons):
        # A cluster that has just lost its leader refuses for a while; without this nothing would ever come.
        say(f"the broker does not let {asked.filter} be read")
        client.disconnect()
    else:
        say(f"reading {asked.filter}")


def arrived(_client, _data, message):
    waiting.append(message)


def put(messages):
    """Puts them in as one transaction."""
    with database, database.cursor() as cursor:
        for message in messages:
            cursor.execute("select pondreeve.land(%s, %s)", (message.topic, message.payload.decode()))


def put_or_refuse(message):
    try:
        put([message])
    except REFUSED as error:
        why = str(error).partition("\n")[0]
        say(f"{message.topic}: refused: {why}")
        with database, database.cursor() as cursor:
            values = (message.topic, psycopg2.Binary(message.payload), why)
            cursor.execute("insert into pondreeve.refused (topic, payload, why) values (%s, %s, %s)", values)


def commit(client):
    """Everything that arrived meanwhile; an error ends the program before any of it is acknowledged."""
    if not waiting:
        return
    try:
        put(waiting)
    except REFUSED:
        # One of them is wrong, and the transaction with it: each by itself.
        for message in waiting:
            put_or_refuse(message)
    for message in waiting:
        client.ack(message.mid, message.qos)
    waiting.clear()


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, asked.client, clean_session=False, manual_ack=True)
client.on_connect, client.on_subscribe, client.on_message = connected, subscribed, arrived
if "PONDREEVE_MQTT_USER" in os.environ:
    client.username_pw_set(os.environ["PONDREEVE_MQTT_USER"], os.environ.get("PONDREEVE_MQTT_PASSWORD"))
if "PONDREEVE_MQTT_CA" in os.environ:
    client.tls_set(os.environ["PONDREEVE_MQTT_CA"])
nodes = [(host, int(port)) for host in asked.host.split(",") for port in asked.port.split(",")]
turn = 0
while True:
    host, port = nodes[turn % len(nodes)]
    try:
        client.connect(host, port, keepalive=10)
        while (ended := client.loop(timeout=0.2)) == mqtt.MQTT_ERR_SUCCESS:
            commit(client)
        say(f"{host}:{port}: {mqtt.error_string(ended)}; trying {'the next' if len(nodes) > 1 else 'again'}")
    except OSError as error:
        say(f"{host}:{port}: {error}; trying {'the next' if len(nodes) > 1 else 'again'}")
    # What was not acknowledged comes again.
    waiting.clear()
    turn += 1
    time.sleep(0.5)
