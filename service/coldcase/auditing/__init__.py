"""Use case: the record can be trusted. Verdicts, replay, statistics, seals and their verification, archives."""
