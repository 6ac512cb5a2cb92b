"""Reads line protocol with a parser that this project has no part in.

Standard input: line protocol, one record a line. Standard output: one JSON object a record, with
"measurement", "tags", "fields" and "time". Parser: PyPI line-protocol-parser 2.0.1.
"""

import json
import sys

from line_protocol_parser import parse_line

for line in sys.stdin.buffer.read().decode("utf-8").split("\n"):
    if line:
        print(json.dumps(parse_line(line)))
