"""States in memory and in the database."""

from __future__ import annotations

from dataclasses import replace

import msgspec

from analytics.core.track import Sample, TrackSettings, dump
from analytics.worker import states
from analytics.worker.states import CHECKPOINT_US, LAG_US, Entry, Known, Memory
from model.clock import US
from model.equipment import Instrument, Position, Role
from model.procedure import Procedure
from model.reading import Quantity
from store.tracks import Saved
from tests.analytics.worker.bench import T0_US, evacuation

GAUGE = Instrument(1, 1, "g1", Role.GAUGE, Position.CIRCUIT, "", "Pa", 0.1, 101_325.0, 0.1, 5.0, "")
VALVE = replace(GAUGE, id=2, name="v1", role=Role.VALVE)
SETTINGS = TrackSettings(
    Procedure("usual", 66.7, 60.0, 1800.0, 120.0, 333.3, None, "here"), (GAUGE, VALVE), 1
)
SAMPLES = sorted(
    Sample(line.time_us, line.instrument_id, Quantity(line.quantity), line.value)
    for line in evacuation(1, 2, pa_per_s=0.5)
)
UNTIL_US = SAMPLES[-1].time_us


def fold_all() -> states.Advance:
    return states.advance([states.start(SETTINGS, T0_US - 1)], SETTINGS, SAMPLES, UNTIL_US)


def test_the_fast_json_is_that_of_the_core() -> None:
    state = fold_all().newest.state
    assert msgspec.json.decode(states.to_bytes(state)) == msgspec.json.decode(
        msgspec.json.encode(dump(state))
    )
    assert states.from_bytes(states.to_bytes(state)) == state


def test_going_on_from_any_kept_state_or_checkpoint_gives_the_same() -> None:
    whole = fold_all()
    for known in (*whole.kept, *whole.checkpoints):
        later = [sample for sample in SAMPLES if sample.time_us > known.time_us]
        stored = Known(known.time_us, states.from_bytes(states.to_bytes(known.state)))
        assert states.advance([stored], SETTINGS, later, UNTIL_US).newest == whole.newest


def test_checkpoints_lie_just_before_full_ten_minutes() -> None:
    times = [known.time_us + 1 for known in fold_all().checkpoints]
    assert len(times) >= 6
    assert all(time % CHECKPOINT_US == 0 for time in times)


def test_reading_by_reading_a_state_that_lags_is_always_kept_and_few() -> None:
    kept: tuple[Known, ...] = (states.start(SETTINGS, T0_US - 1),)
    for number in range(200):
        sample = Sample(T0_US + number * US, 1, Quantity.PRESSURE, 1000.0)
        kept = states.advance(kept, SETTINGS, [sample], sample.time_us).kept
        assert len(kept) <= 4
        assert kept[-1].time_us == sample.time_us
        if number > 10:
            assert LAG_US <= kept[-1].time_us - kept[0].time_us <= 2 * LAG_US + US


def test_memory_is_void_after_another_process_rewound() -> None:
    memory = Memory()
    known = Known(T0_US, fold_all().newest.state)
    memory.keep(1, Entry("digest", 3, (known,)))
    assert memory.before(1, "digest", 3, T0_US + 1) == (known,)
    assert memory.before(1, "digest", 3, T0_US) == ()
    assert memory.before(1, "digest", 4, T0_US + 1) == ()
    assert memory.before(1, "other", 3, T0_US + 1) == ()


def test_the_database_gets_a_state_only_when_its_own_lags() -> None:
    kept = fold_all().kept
    saved = Saved("", "", UNTIL_US, UNTIL_US, 0, UNTIL_US - 10 * US, 0.0, None, frozenset())
    assert states.to_persist(kept, saved, afresh=False) is None
    chosen = states.to_persist(kept, replace(saved, state_us=UNTIL_US - 20 * US), afresh=False)
    assert chosen is not None
    assert chosen.time_us <= UNTIL_US - LAG_US
    assert states.to_persist(kept, saved, afresh=True) is not None
