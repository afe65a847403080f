"""Reads what consumer.py wrote and holds each payload against programs that know nothing of pondreeve: `jsonschema` with
the schemas of deploy/schema, KPN's SenML library, `cbor2`. Prints one line of JSON for each message: topic, and its
records (summaries) or its object. Ends with an error at the first payload that does not fit.

    check_payloads.py json|cbor SCHEMA_FOLDER < LINES
"""

import json
import pathlib
import sys

import cbor2
import jsonschema
from kpn_senml import SenmlPack

encoding, folder = sys.argv[1], pathlib.Path(sys.argv[2])
validators = {}
for kind in ("summary", "alarm", "call"):
    schema = json.loads((folder / f"{kind}.v1.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator.check_schema(schema)
    validators[kind] = jsonschema.Draft202012Validator(
        schema, format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER)

# RFC 8428, table 4, typed from the document.
LABELS = {-1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
          0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd"}


def by_library(payload):
    """The records as KPN's library gives them to its user."""
    found = []
    pack = SenmlPack("", lambda record, device=None: found.append([record.name, record.unit, record.value]))
    if encoding == "cbor":
        pack.from_cbor(payload)
    else:
        pack.from_json(payload.decode())
    return [[name, getattr(unit, "value", unit), value] for name, unit, value in found]


for line in sys.stdin:
    message = json.loads(line)
    topic, payload = message["topic"], bytes.fromhex(message["payload"])
    kind = topic.rsplit("/", 1)[1]
    if kind == "health":
        assert payload in (b"online", b"offline"), payload
        print(json.dumps({"topic": topic, "kind": kind, "text": payload.decode()}))
        continue
    plain = cbor2.loads(payload) if encoding == "cbor" else json.loads(payload)
    if kind == "summary":
        if encoding == "cbor":
            plain = [{LABELS[label]: value for label, value in record.items()} for record in plain]
        assert topic == plain[0]["bn"] + "summary", (topic, plain[0])
    validators[kind].validate(plain)
    told = {"topic": topic, "kind": kind, "bytes": len(payload), "plain": plain}
    if kind == "summary":
        told["library"] = by_library(payload)
        assert len(told["library"]) == len(plain), told
    print(json.dumps(told))
