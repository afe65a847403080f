"""An independent sender of commands: paho-mqtt, Python's own hmac, and the schemas of deploy/schema. Takes one line of JSON
for each message and prints the result that comes for it, or null where none comes in time.

    commander.py PORT USER PASSWORD RESULT_TOPIC SCHEMA_FOLDER

A line: {"topic", "key", "command"} to sign and send a command; with "text" the text itself is signed, with "raw" the
payload is sent as it is; "retain"; "patience" in seconds. Prints `ready` once subscribed.
"""

import hashlib
import hmac
import json
import pathlib
import queue
import sys

import jsonschema
import paho.mqtt.client as mqtt

port, user, password, results, folder = sys.argv[1:6]
schemas = {kind: json.loads((pathlib.Path(folder) / f"{kind}.v1.schema.json").read_text(encoding="utf-8"))
           for kind in ("command", "result")}
for schema in schemas.values():
    jsonschema.Draft202012Validator.check_schema(schema)
result = jsonschema.Draft202012Validator(schemas["result"], format_checker=jsonschema.FormatChecker())
envelope = jsonschema.Draft202012Validator(schemas["command"])
inner = jsonschema.Draft202012Validator(schemas["command"]["$defs"]["command"], format_checker=jsonschema.FormatChecker())
arrived = queue.Queue()


def connected(client, _data, _flags, reason, _properties):
    assert not reason.is_failure, reason
    client.subscribe(results, qos=1)


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, f"commander-{user}-{port}")
client.username_pw_set(user, password)
client.on_connect = connected
client.on_subscribe = lambda *_: print("ready", flush=True)
client.on_message = lambda _client, _data, message: arrived.put(message.payload)
client.connect("127.0.0.1", int(port))
client.loop_start()
for line in sys.stdin:
    asked = json.loads(line)
    payload = asked.get("raw")
    if payload is None:
        text = asked.get("text") or json.dumps(asked["command"])
        sum_ = hmac.new(asked["key"].encode(), asked["topic"].encode() + b"\n" + text.encode(), hashlib.sha256)
        payload = json.dumps({"signed": text, "hmac": sum_.hexdigest()})
    client.publish(asked["topic"], payload, qos=1, retain=asked.get("retain", False)).wait_for_publish(10)
    try:
        said = json.loads(arrived.get(timeout=asked.get("patience", 20)))
        result.validate(said)
        if said["done"]:
            # What the gateway does, the schema must allow.
            envelope.validate(json.loads(payload))
            inner.validate(json.loads(json.loads(payload)["signed"]))
    except queue.Empty:
        said = None
    print(json.dumps(said), flush=True)
