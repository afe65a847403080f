"""Reads OpenMetrics text from standard input by prometheus_client's parser, which refuses what is not OpenMetrics,
and prints each sample as a JSON line. The parser is the reference implementation's; nothing of ours is in it."""

import json
import sys

from prometheus_client.openmetrics.parser import text_string_to_metric_families

for family in text_string_to_metric_families(sys.stdin.read()):
    for sample in family.samples:
        print(json.dumps({"family": family.name, "type": family.type, "help": family.documentation,
                          "name": sample.name, "labels": sample.labels, "value": sample.value}))
