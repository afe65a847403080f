#!/usr/bin/env python3
"""The load step: from the cluster's MQTT into PostgreSQL. Debian: python3-paho-mqtt (2.x, or from PyPI) and
python3-psycopg2. A message is acknowledged only once its row is committed, so what this is killed over comes again, and
`pondreeve.land` takes a repeat for what it is. One such process keeps up with some thousand messages a second; more
than one need topic filters that do not overlap and client ids of their own.

    land.py HOST PORT[,PORT...] 'dbname=farms' [--client landing] [--filter 'pondreeve/#']

User and password of the broker: PONDREEVE_MQTT_USER and PONDREEVE_MQTT_PASSWORD; certificates to trust:
PONDREEVE_MQTT_CA (switches TLS on).
"""

import argparse
import os
import time

import paho.mqtt.client as mqtt
import psycopg2

arguments = argparse.ArgumentParser(description="from the cluster's MQTT into PostgreSQL")
arguments.add_argument("host")
arguments.add_argument("port", help="one, or several parted by commas: the next is tried when a connection is lost")
arguments.add_argument("database", help="as psql takes it, such as dbname=farms")
arguments.add_argument("--client", default="landing")
arguments.add_argument("--filter", default="pondreeve/#")
asked = arguments.parse_args()

database = psycopg2.connect(asked.database)
waiting = []


def connected(client, _data, _flags, reason, _properties):
    if not reason.is_failure:
        client.subscribe(asked.filter, qos=1)


def subscribed(client, _data, _mid, reasons, _properties):
    if any(reason.is_failure for reason in reasons):
        # A cluster that has just lost its leader refuses for a while; without this nothing would ever come.
        client.disconnect()


def arrived(_client, _data, message):
    waiting.append(message)


def commit(client):
    """Everything that arrived meanwhile in one transaction; an error ends the program before any is acknowledged."""
    if not waiting:
        return
    with database, database.cursor() as cursor:
        for message in waiting:
            cursor.execute("select pondreeve.land(%s, %s)", (message.topic, message.payload.decode()))
    for message in waiting:
        client.ack(message.mid, message.qos)
    waiting.clear()


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, asked.client, clean_session=False, manual_ack=True)
client.on_connect, client.on_subscribe, client.on_message = connected, subscribed, arrived
if "PONDREEVE_MQTT_USER" in os.environ:
    client.username_pw_set(os.environ["PONDREEVE_MQTT_USER"], os.environ["PONDREEVE_MQTT_PASSWORD"])
if "PONDREEVE_MQTT_CA" in os.environ:
    client.tls_set(os.environ["PONDREEVE_MQTT_CA"])
ports, turn = [int(port) for port in asked.port.split(",")], 0
while True:
    try:
        client.connect(asked.host, ports[turn % len(ports)], keepalive=10)
        while client.loop(timeout=0.2) == mqtt.MQTT_ERR_SUCCESS:
            commit(client)
    except OSError as error:
        print(f"{asked.host}:{ports[turn % len(ports)]}: {error}; trying the next", flush=True)
    # What was not acknowledged comes again.
    waiting.clear()
    turn += 1
    time.sleep(0.5)
