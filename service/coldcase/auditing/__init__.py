"""Use case: the record can be trusted. Seals and their verification, inclusion proofs, replay, archives."""
