"""The proof of the record: what is hashed of each kind of it, Merkle trees, and the one spelling of JSON.
Knows nothing of the engine.
"""
