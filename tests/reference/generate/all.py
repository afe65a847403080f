"""Recomputes every table with the reference libraries; `--write` keeps the result."""
import sys

sys.dont_write_bytecode = True  # leaves no caches in the tree

import acids
import aeration
import carbonate
import evidence
import oxygen
import quality
import struvite
import sun
import trends

write = "--write" in sys.argv[1:]
wrong = sum(part.settle_all(write) for part in (oxygen, acids, carbonate, struvite, sun, aeration, trends, quality, evidence))
print(f"{wrong} cells differ in all")
sys.exit(1 if wrong and not write else 0)
