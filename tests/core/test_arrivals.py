"""When the bytes of a recorded log arrived."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from lakefloor.algorithms.core.reading.arrivals import RECORD, arrival_record, parse_arrivals

PIECES = st.lists(st.tuples(st.integers(1, 2000), st.integers(0, 10**9)), min_size=1, max_size=30)


def _file(pieces):
    rows, end, clock = [], 0, 0
    for length, wait in pieces:
        end, clock = end + length, clock + wait
        rows.append((1, end, clock, clock + 10**15))
    return rows, b"".join(arrival_record(*row) for row in rows)


@given(PIECES, st.integers(0, RECORD - 1))
def test_what_is_written_is_read_and_a_torn_end_is_passed_by(pieces, torn):
    rows, data = _file(pieces)
    arrivals, broken = parse_arrivals(data + data[:torn])
    assert broken == 0
    read = np.column_stack([arrivals.session, arrivals.end, arrivals.monotonic_us, arrivals.utc_us])
    assert read.tolist() == [list(row) for row in rows]


@given(PIECES, st.data())
def test_a_broken_byte_spoils_its_record_alone(pieces, data):
    rows, written = _file(pieces)
    at = data.draw(st.integers(0, len(written) - 1))
    value = data.draw(st.integers(0, 255).filter(lambda v: v != written[at]))
    arrivals, broken = parse_arrivals(written[:at] + bytes([value]) + written[at + 1 :])
    # A figure that became another one within order is seen by nobody; its record alone is wrong.
    assert broken <= 2
    right = {tuple(row) for row in rows}
    read = list(zip(*(c.tolist() for c in vars(arrivals).values())))
    assert sum(row not in right for row in read) <= 1


def test_a_byte_lies_in_the_piece_that_brought_it():
    _, data = _file([(10, 5), (4, 5)])
    arrivals, _ = parse_arrivals(data)
    assert arrivals.piece_of(np.array([0, 9, 10, 13, 14])).tolist() == [0, 0, 1, 1, 2]
