"""Where the walk-up jobs of a gauge begin and end, for given low readings and ends."""

from __future__ import annotations

from analytics.worker.cutting import NEW, Cut, Link, Stretch, cut, stretches
from store.walkups import FOREVER_US, LOOK_BACK_US, Service

DAY = LOOK_BACK_US
HOUR = DAY // 24


def link(job_id: int, opened: int, end: int | None = None, since: int | None = None) -> Link:
    return Link(job_id, opened, opened, opened - DAY if since is None else since, end, end)


def cut_at(stretch: Stretch, from_us: int, lows: list[int], *, opens: bool = True, until: int = 0) -> Cut:
    def first_low(since: int, before: int | None) -> int | None:
        return min((at for at in lows if since <= at and (before is None or at < before)), default=None)

    return cut(stretch, from_us, max(until, from_us), first_low, opens=opens)


def test_the_first_low_reading_opens_a_job_with_a_days_look_back() -> None:
    (made,) = cut_at(Stretch(None, None, ()), 5 * DAY, [5 * DAY, 6 * DAY]).changed
    assert made == Link(NEW, 5 * DAY, 5 * DAY, 4 * DAY, None, None)


def test_the_look_back_ends_where_the_gauge_served_something_else() -> None:
    begin = 5 * DAY - HOUR
    (made,) = cut_at(Stretch(begin, None, ()), 5 * DAY, [5 * DAY]).changed
    assert made.since_us == begin


def test_a_job_ends_at_the_latest_where_a_person_gave_the_gauge_away() -> None:
    (made,) = cut_at(Stretch(None, 6 * DAY, ()), 5 * DAY, [5 * DAY, 6 * DAY]).changed
    assert made.until_us == 6 * DAY


def test_an_earlier_low_reading_moves_the_opening_and_opens_no_second_job() -> None:
    for earlier in (5 * DAY - HOUR, 2 * DAY):
        found = cut_at(Stretch(None, None, (link(7, 5 * DAY),)), earlier, [earlier, 5 * DAY])
        (moved,) = found.changed
        assert (moved.job_id, moved.opened_us, moved.since_us) == (7, earlier, earlier - DAY)
        assert moved.known_us == 5 * DAY


def test_an_opening_that_was_none_moves_on_or_the_job_is_gone() -> None:
    stretch = Stretch(None, None, (link(7, 5 * DAY),))
    (moved,) = cut_at(stretch, 5 * DAY, [6 * DAY]).changed
    assert (moved.job_id, moved.opened_us) == (7, 6 * DAY)
    assert cut_at(stretch, 5 * DAY, []) == Cut((), ((7, None),))


def test_what_lies_behind_an_earlier_end_opens_the_next_job() -> None:
    end = 5 * DAY + HOUR
    found = cut_at(Stretch(None, None, (link(7, 5 * DAY, end),)), end, [5 * DAY, end + HOUR])
    (made,) = found.changed
    assert (made.job_id, made.since_us) == (NEW, end)


def test_a_job_that_goes_on_swallows_the_next_or_a_part_of_it() -> None:
    after = link(8, 5 * DAY + 3 * HOUR, 5 * DAY + 6 * HOUR, since=5 * DAY + HOUR)
    lows = [5 * DAY + hour * HOUR for hour in range(6)]
    old = 5 * DAY + HOUR
    swallowed = cut_at(Stretch(None, None, (link(7, 5 * DAY), after)), old, lows)
    assert swallowed == Cut((), ((8, 7),))
    part = cut_at(Stretch(None, None, (link(7, 5 * DAY, 5 * DAY + 4 * HOUR), after)), old, lows)
    (moved,) = part.changed
    assert (moved.job_id, moved.opened_us, moved.since_us) == (8, 5 * DAY + 4 * HOUR, 5 * DAY + 4 * HOUR)
    assert part.gone == ()


def test_where_nothing_changes_nothing_is_done() -> None:
    links = (link(7, 5 * DAY, 5 * DAY + HOUR), link(8, 9 * DAY))
    assert cut_at(Stretch(None, None, links), 5 * DAY, [5 * DAY, 9 * DAY], until=10 * DAY) == Cut((), ())


def test_a_gauge_that_may_open_none_keeps_and_moves_what_it_has() -> None:
    assert cut_at(Stretch(None, None, ()), 5 * DAY, [5 * DAY], opens=False) == Cut((), ())
    found = cut_at(Stretch(None, None, (link(7, 5 * DAY),)), 4 * DAY, [4 * DAY], opens=False)
    assert [one.job_id for one in found.changed] == [7]


def test_what_a_person_gave_divides_event_time() -> None:
    def service(job: int | None, since: int, until: int | None, *, movable: bool) -> Service:
        return Service(job, since, until, movable, since, since, until)

    first, second = stretches(
        [
            service(1, DAY, 2 * DAY, movable=True),
            service(2, 3 * DAY, 4 * DAY, movable=False),
            service(3, 5 * DAY, None, movable=True),
        ]
    )
    assert (first.begin_us, first.end_us, first.links[0].job_id) == (None, 3 * DAY, 1)
    assert (second.begin_us, second.end_us, second.links[0].job_id, second.after_id) == (4 * DAY, None, 3, 2)
    swallowing = [service(2, DAY, None, movable=False), service(3, 5 * DAY, None, movable=True)]
    _, nothing = stretches(swallowing)
    assert nothing.begin_us == nothing.end_us == FOREVER_US
    assert cut_at(nothing, 5 * DAY, [5 * DAY]).gone == ((3, 2),)
