"""Register encodings and check sums against printed examples."""

from collections.abc import Callable, Iterable

from passage_cv.files import sha256_bytes
from passage_cv.gate import registers as r

TABLE = "registers"
Row = dict[str, str]


def words(text: str) -> list[float]:
    return [float(word) for word in text.split()]


QUANTITIES: dict[str, Callable[[str], Iterable[float]]] = {
    "unsigned register": lambda t: (r.encode_unsigned(words(t)[0], scale=words(t)[1]),),
    "signed register": lambda t: (r.encode_signed(words(t)[0], scale=words(t)[1]),),
    "float32 registers": lambda t: r.encode_float32(float(t)),
    "float32 read back": lambda t: (r.decode_float32(*(int(word) for word in words(t))),),
    "crc of text": lambda t: (r.crc16_modbus(t.encode()),),
    "crc of bytes": lambda t: (r.crc16_modbus(bytes.fromhex(t)),),
    "registers per request": lambda _: (r.MOST_READ, r.MOST_WRITTEN),
}


def test_registers(row: Row, agrees: Callable[..., None]) -> None:
    if row["quantity"] == "sha256 of text":
        assert sha256_bytes(row["inputs"].encode()) == row["expected"], row["source"]
    else:
        agrees(row, *QUANTITIES[row["quantity"]](row["inputs"]))
