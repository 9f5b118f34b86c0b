"""The bytes of answers, small: zstd (RFC 8878) with a dictionary trained from a rule table's own answers.

One answer is like the next: titles, sentences and checks come from the table. A dictionary holds what they
have in common, so that what is stored of one is little more than what is its own. What is unpacked is
compared with the digest of what was packed, so that no damage, and no wrong dictionary, yields another
answer. Pure.
"""

import hashlib
import threading
from collections.abc import Sequence

import zstandard

_TABLES = {
    "window_log": 21,
    "hash_log": 21,
    "chain_log": 21,
    "write_content_size": True,
    "write_dict_id": True,
}
QUICK = zstandard.ZstdCompressionParameters(
    strategy=zstandard.STRATEGY_GREEDY, search_log=6, min_match=6, **_TABLES
)
THOROUGH = zstandard.ZstdCompressionParameters(
    strategy=zstandard.STRATEGY_BTLAZY2, search_log=4, min_match=5, **_TABLES
)
"""Of zstd, for somebody who waits and for history: the thorough search takes twice the time of the quick one
for a sixth fewer bytes. Both have tables as large as the dictionary; those of the library's levels follow the
answer and see little of it.
"""

DICTIONARY_BYTES = 1536 * 1024
"""Of a dictionary at most: with half of it answers are an eighth larger, with one and a half times as much a
twentieth smaller. Whoever packs holds ten times as much in memory.
"""

SEGMENT_BYTES, MATCH_BYTES = 4000, 8
"""How long a piece of an answer training chooses at a time, and the least match that speaks for one. Given,
so that training always comes to the same dictionary; found by trying on cases it had not seen.
"""

TRAINING_LEVEL = 12
"""Of zstd, by which training judges what is frequent: one that finds as much as packing does."""

FEWEST_SAMPLES = 50
"""With fewer answers there is nothing to be trained from."""

MOST_UNPACKED = 16 * 1024 * 1024
"""Bytes: a damaged frame may ask for any memory."""


class Unpackable(ValueError):
    """What is stored is not what was packed, or was packed with another dictionary."""


def train(samples: Sequence[bytes]) -> bytes | None:
    """A dictionary from answers, the same one for the same answers; None where they are too few."""
    if len(samples) < FEWEST_SAMPLES:
        return None
    try:
        made = zstandard.train_dictionary(
            DICTIONARY_BYTES,
            list(samples),
            k=SEGMENT_BYTES,
            d=MATCH_BYTES,
            split_point=1.0,
            level=TRAINING_LEVEL,
        )
    except zstandard.ZstdError:
        return None
    return made.as_bytes()


def dictionary_id(dictionary: bytes) -> int:
    """The number that a dictionary bears and each frame packed with it: made from its content, 32 bits."""
    return int.from_bytes(dictionary[4:8], "little")


class Packer:
    """Packs and unpacks answers with one dictionary, or with none."""

    def __init__(self, dictionary: bytes | None) -> None:
        self.dictionary_id = None if dictionary is None else dictionary_id(dictionary)
        self._dictionary = dictionary
        self._unpack = zstandard.ZstdDecompressor(dict_data=self._data())
        self._compressors: dict[bool, zstandard.ZstdCompressor] = {}
        # A context of zstd holds the state of one call.
        self._turn = threading.Lock()

    def pack(self, answer: bytes, *, thoroughly: bool = False) -> bytes:
        """The answer as one frame, which bears its length and the dictionary's number."""
        with self._turn:
            if thoroughly not in self._compressors:
                self._compressors[thoroughly] = self._compressor(THOROUGH if thoroughly else QUICK)
            return self._compressors[thoroughly].compress(answer)

    def _data(self) -> zstandard.ZstdCompressionDict | None:
        if self._dictionary is None:
            return None
        return zstandard.ZstdCompressionDict(self._dictionary, dict_type=zstandard.DICT_TYPE_FULLDICT)

    def _compressor(self, parameters: zstandard.ZstdCompressionParameters) -> zstandard.ZstdCompressor:
        """Made for whoever packs only: its tables are larger than the dictionary."""
        data = self._data()
        if data is not None:
            data.precompute_compress(compression_params=parameters)
        return zstandard.ZstdCompressor(compression_params=parameters, dict_data=data)

    def unpack(self, packed: bytes, sha256: bytes) -> bytes:
        """The answer whose digest this is. Raises Unpackable."""
        try:
            if not 0 <= zstandard.frame_content_size(packed) <= MOST_UNPACKED:
                raise Unpackable("The stored answer says that it is larger than any answer.")
            with self._turn:
                answer = self._unpack.decompress(packed)
        except zstandard.ZstdError as error:
            raise Unpackable(f"The stored answer cannot be unpacked: {error}.") from error
        if hashlib.sha256(answer).digest() != sha256:
            raise Unpackable("The stored answer is not the one whose digest stands beside it.")
        return answer
