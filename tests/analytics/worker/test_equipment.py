"""Equipment that is changed or taken out of service, as the judgement sees it."""

from __future__ import annotations

from dataclasses import replace

from model.clock import US
from model.judgement import Verdict
from store import changing, judgement
from store.audit import By
from tests.analytics.worker.bench import T0_US, Bench, evacuation, pull_down


def by(bench: Bench) -> By:
    from model.clock import to_datetime

    return By(to_datetime(bench.clock.now_us()))


def test_a_gauge_out_of_service_opens_no_walk_up_job_until_it_is_back(bench: Bench) -> None:
    gateway = bench.gateway(bench.site())
    gauge = bench.gauge(gateway)
    with bench.conn.transaction():
        changing.retire_instrument(bench.conn, gauge.id, by(bench))
    bench.live(pull_down(gauge.id, T0_US, 600))
    assert bench.jobs() == []
    # Its readings are kept still.
    row = bench.conn.execute("SELECT count(*) AS n FROM reading").fetchone()
    assert row is not None
    assert row["n"] > 100
    with bench.conn.transaction():
        changing.restore_instrument(bench.conn, gauge.id, by(bench))
    bench.live(pull_down(gauge.id, T0_US + 3600 * US, 600))
    assert len(bench.jobs()) == 1


def test_a_range_that_is_corrected_revises_the_verdict_openly(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id, hold_s=2400))
    (hold,) = judgement.holds(bench.conn, [job.id])[job.id]
    assert hold.hold.verdict is Verdict.PASSED
    # The gauge's range begins above what it read: such readings show nothing.
    wanted = replace(changing.properties_of(gauge), range_low_pa=500.0)
    with bench.conn.transaction():
        _, again = changing.change_instrument(bench.conn, gauge.id, by(bench), wanted)
    assert again == [job.id]
    bench.settle()
    (hold,) = judgement.holds(bench.conn, [job.id])[job.id]
    assert hold.hold.verdict is Verdict.INCONCLUSIVE
    rows = bench.conn.execute(
        "SELECT verdict, because FROM hold_test_revision WHERE hold_test_id = %s ORDER BY revision",
        (hold.id,),
    ).fetchall()
    assert [row["verdict"] for row in rows] == ["passed", "inconclusive"]
    assert rows[1]["because"] == "g1: range changed"


def test_another_serial_number_judges_nothing_again(bench: Bench) -> None:
    site = bench.site()
    gateway = bench.gateway(site)
    gauge, valve = bench.gauge(gateway), bench.valve(gateway)
    job = bench.job(site, [gauge, valve])
    bench.live(evacuation(gauge.id, valve.id, hold_s=2400))
    with bench.conn.transaction():
        _, again = changing.change_instrument(
            bench.conn, gauge.id, by(bench), replace(changing.properties_of(gauge), serial="A-9")
        )
    assert again == []
    bench.settle()
    (hold,) = judgement.holds(bench.conn, [job.id])[job.id]
    assert (hold.hold.verdict, hold.revision) == (Verdict.PASSED, 1)
