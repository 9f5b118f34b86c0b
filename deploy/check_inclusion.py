"""Is this decision under this seal? `python check_inclusion.py PROOF.json [HEAD]`; needs nothing but SHA-256 (RFC 9162, section 2.1.3.2).

PROOF.json is what `GET /v1/decisions/{id}/inclusion` answers; HEAD is the seal's head as you have kept it. Exit 0: it is.
"""

# ruff: noqa: INP001
import hashlib
import json
import pathlib
import sys


def sha256(*parts: bytes) -> str:  # noqa: D103
    return hashlib.sha256(b"".join(parts)).hexdigest()


proof = json.loads(pathlib.Path(sys.argv[1]).read_text("utf-8"))
leaf, seal = json.loads(proof["leaf"]), json.loads(proof["seal"])
found, place, last = sha256(b"\x00", proof["leaf"].encode()), proof["position"], seal["count"] - 1
for step in proof["path"]:
    left = place % 2 == 1 or place == last
    found = sha256(b"\x01", bytes.fromhex(step if left else found), bytes.fromhex(found if left else step))
    while left and place and place % 2 == 0:
        place, last = place // 2, last // 2
    place, last = place // 2, last // 2
same = leaf["case_sha256"] == sha256(proof["case"].encode()) and leaf["answer_sha256"] == sha256(proof["answer"].encode())
head = sha256(proof["seal"].encode())
good = same and last == 0 and found == seal["root"] and head == (sys.argv[2] if len(sys.argv) > 2 else proof["head"])
sys.stdout.write(f"{leaf['id']} {'is' if good else 'is NOT'} under seal {seal['number']} with the head {head}\n")
sys.exit(0 if good else 1)
