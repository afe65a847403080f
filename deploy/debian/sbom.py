#!/usr/bin/env python3
"""The list of all parts that are built into the program, as CycloneDX 1.5 JSON (ECMA-424), from cargo's own data.

    python3 deploy/debian/sbom.py > sbom.cdx.json
"""

import json
import subprocess
import sys


def main():
    command = ["cargo", "metadata", "--locked", "--format-version", "1", "--filter-platform", "x86_64-unknown-linux-gnu"]
    found = json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE).stdout)
    packages = {package["id"]: package for package in found["packages"]}
    nodes = {node["id"]: node for node in found["resolve"]["nodes"]}
    root = next(package["id"] for package in found["packages"] if package["name"] == "pondreeve")
    # What tests alone need is not in the program.
    needed, waiting = set(), [root]
    while waiting:
        at = waiting.pop()
        if at in needed:
            continue
        needed.add(at)
        for dependency in nodes[at]["deps"]:
            if any(kind["kind"] is None for kind in dependency["dep_kinds"]):
                waiting.append(dependency["pkg"])

    def reference(package):
        return f"pkg:cargo/{package['name']}@{package['version']}"

    def component(package, kind):
        told = {"type": kind, "bom-ref": reference(package), "name": package["name"], "version": package["version"]}
        if package.get("license"):
            told["licenses"] = [{"expression": package["license"].replace("/", " OR ")}]
        if package["source"]:
            told["purl"] = reference(package)
        return told

    parts = sorted((packages[at] for at in needed if at != root), key=reference)
    dependencies = []
    for at in sorted(needed):
        on = {reference(packages[own["pkg"]]) for own in nodes[at]["deps"] if own["pkg"] in needed}
        dependencies.append({"ref": reference(packages[at]), "dependsOn": sorted(on)})
    bill = {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": {"component": component(packages[root], "application")},
        "components": [component(package, "library") for package in parts],
        "dependencies": dependencies,
    }
    json.dump(bill, sys.stdout, indent=1, sort_keys=True)
    print()


if __name__ == "__main__":
    main()
