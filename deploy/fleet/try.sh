#!/usr/bin/env bash
# Tries the cluster on one machine: three nodes on loopback with the configuration of this folder, a consumer, and the fleet
# generator. Nothing is left behind but what it prints.
#
#   deploy/fleet/try.sh [--database 'dbname=farms'] -- --gateways 500 --speed 60 --seconds 120
#
# What follows `--` goes to `sim fleet`. With --database the consumer is land.py (landing.sql must be in it); without it,
# one that only acknowledges: then the cluster alone is measured. SIM names the generator (target/release/sim), PYTHON a
# Python with paho-mqtt 2, ACK_WAIT and IN_FLIGHT are the cluster's.
set -euo pipefail
here="$(cd "$(dirname "$0")" && pwd)"
PATH="$PATH:/usr/sbin" # Where Debian has nats-server.
sim="${SIM:-$here/../../target/release/sim}"
python="${PYTHON:-python3}"
database=
while [ $# -gt 0 ]; do
    case "$1" in
        --database) database="$2"; shift 2 ;;
        --) shift; break ;;
        *) echo "try.sh: $1: accepted are --database and, behind --, what sim fleet takes" >&2; exit 2 ;;
    esac
done
command -v nats-server >/dev/null || { echo "try.sh: nats-server is not there: apt install nats-server" >&2; exit 1; }
"$python" -c 'import paho.mqtt.client as m; m.CallbackAPIVersion' 2>/dev/null ||
    { echo "try.sh: $python has no paho-mqtt 2: PYTHON names one that has (tests/requirements.txt)" >&2; exit 1; }
[ -x "$sim" ] || { echo "try.sh: $sim is not there: cargo build --release -p sim" >&2; exit 1; }
folder="$(mktemp -d)"
running=()
trap 'kill "${running[@]}" 2>/dev/null || true; wait 2>/dev/null || true; rm -rf "$folder"' EXIT

# Nine ports of its own, which nothing else has now.
ports="$("$python" - <<'PORTS'
import socket
held = [socket.socket() for _ in range(9)]
for own in held:
    own.bind(("127.0.0.1", 0))
print(*[own.getsockname()[1] for own in held])
PORTS
)"
read -r -a port <<< "$ports"
routes="\"nats://127.0.0.1:${port[3]}\", \"nats://127.0.0.1:${port[4]}\", \"nats://127.0.0.1:${port[5]}\""
nodes=()
for node in 0 1 2; do
    own="$folder/node$node"
    mkdir -p "$own"
    cp "$here/nats-server.conf" "$own/nats-server.conf"
    printf 'host: 127.0.0.1\nport: %s\ncluster { name: farms, host: 127.0.0.1, port: %s, routes: [ %s ] }\n' \
        "${port[$((6 + node))]}" "${port[$((3 + node))]}" "$routes" > "$own/site.conf"
    : > "$own/tls.conf" # On loopback without TLS.
    NODE="node$node" STORE="$own/store" ACK_WAIT="${ACK_WAIT:-30s}" IN_FLIGHT="${IN_FLIGHT:-1000}" \
        MQTT_HOST=127.0.0.1 MQTT_PORT="${port[$node]}" nats-server -c "$own/nats-server.conf" > "$own/log" 2>&1 &
    nodes+=($!)
    running+=($!)
done
mqtt="${port[0]},${port[1]},${port[2]}"
sleep 12 # The nodes find each other and elect a leader.

if [ -n "$database" ]; then
    "$python" "$here/land.py" 127.0.0.1 "$mqtt" "$database" > "$folder/land.log" 2>&1 &
    running+=($!)
else
    "$python" - "$mqtt" > "$folder/count.log" 2>&1 <<'COUNT' &
import sys
import time

import paho.mqtt.client as mqtt

client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, "counting", clean_session=False)
client.on_connect = lambda client, *_: client.subscribe("pondreeve/#", qos=1)
ports = [int(own) for own in sys.argv[1].split(",")]
while True:
    for port in ports:
        try:
            client.connect("127.0.0.1", port)
            client.loop_forever(retry_first_connection=False)
        except OSError:
            time.sleep(0.5)
COUNT
    running+=($!)
fi
sleep 3
"$sim" fleet --port "$mqtt" "$@"
for node in 0 1 2; do
    ps -o "etimes=,cputimes=,rss=" -p "${nodes[$node]}" |
        awk -v node="$node" '{ printf "node %s: %s s of processor time in %s s, %d MiB\n", node, $2, $1, $3 / 1024 }'
done
du -sm "$folder" | awk '{ printf "on disk, three nodes: %s MiB\n", $1 }'
