"""Is this decision under this seal (RFC 9162, 2.1.3.2)? Exit 0: it is; 1: it is not; 2: wrong use."""

# ruff: noqa: INP001
import argparse
import hashlib
import json
import pathlib

parser = argparse.ArgumentParser(description=__doc__)
parser.add_argument("proof", type=pathlib.Path, help="what `GET /v1/decisions/{id}/inclusion` answers")
parser.add_argument("head", nargs="?", help="the seal's head as you kept it, else the one the proof claims")
given = parser.parse_args()
try:
    proof = json.loads(given.proof.read_text("utf-8"))
    parts = {"case": b"", "answer": b"", "leaf": b"\x00", "seal": b""}
    texts = {name: hashlib.sha256(at + proof[name].encode()).hexdigest() for name, at in parts.items()}
    leaf, seal = json.loads(proof["leaf"]), json.loads(proof["seal"])
    found, place, last = texts["leaf"], proof["position"], seal["count"] - 1
    for step in proof["path"]:
        left = place % 2 == 1 or place == last
        found = hashlib.sha256(bytes.fromhex("01" + (step + found if left else found + step))).hexdigest()
        while left and place and place % 2 == 0:
            place, last = place // 2, last // 2
        place, last = place // 2, last // 2
    same = (leaf["case_sha256"], leaf["answer_sha256"]) == (texts["case"], texts["answer"])
    good = same and last == 0 and found == seal["root"] and texts["seal"] == (given.head or proof["head"])
except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
    parser.error(f"{given.proof} cannot be read as a proof: {error!r}")
print(f"{leaf['id']} {'is' if good else 'is NOT'} under seal {seal['number']} with the head {texts['seal']}")  # noqa: T201
raise SystemExit(0 if good else 1)
