"""The application: JSON API, event stream, pages."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from functools import partial

from fastapi import APIRouter, FastAPI
from starlette.middleware.gzip import GZipMiddleware

from api import assets, problems
from api.config import ApiConfig
from api.context import Context, borrower, make_pool
from api.document import document
from api.gate import Gate
from api.hub import Hub
from api.pages import (
    alert_list,
    board,
    installed,
    invitation,
    job,
    job_setup,
    login,
    my_jobs,
    new_job,
    plan,
    preflight,
    record,
    reference,
    signals,
    site,
    site_check,
    site_gauge,
    site_volume,
    travel,
    valve,
)
from api.pages import channels as channels_page
from api.pages import figures as figures_page
from api.pages import me as me_page
from api.pages import mornings as mornings_page
from api.pages import people as people_page
from api.pages import setup as setup_pages
from api.readiness import BrokerProbe
from api.routes import (
    alerts,
    channels,
    equipment,
    follows,
    health,
    job_changes,
    jobs,
    me,
    mornings,
    notes,
    openings,
    orders,
    people,
    places,
    plans,
    preferences,
    procedures,
    quarantine,
    readings,
    records,
    setup,
    stream,
    tokens,
)
from api.routes import preflight as preflight_routes
from api.throttle import Throttle
from model.clock import Clock

PREFIX = "/api/v1"
MOST_BYTES = 8_000_000
"""Of what may be sent to us: the largest table (`store.bulk`) in a form, each byte written as three."""
DESCRIPTION = """
Readings, hold tests and alerts of evacuation jobs.

- **Login.** A cookie from `/login`, or a machine's token as `Authorization: Bearer hf_…`; without either
  every address but health answers 401. With the cookie, requests that change something must come from
  this site (`Origin`) or be JSON. A request with a token is judged by the token alone.
- **Rights.** `x-right` of each operation names the right that it needs; without it the answer is 403.
- **Errors** are problem details (RFC 9457) with a sentence in `detail` and the fields concerned in `errors`.
- **Lists** page by cursor: pass `next` of one page as `cursor` of the next (also as `Link` header).
- **Times** are RFC 3339 with offset. **Pressures, temperatures, volumes** carry value and unit;
  `?pressure_unit=micron` chooses it. Without it a person gets the unit they have chosen
  (`/api/v1/me/preferences`), in sentences too; who has chosen nothing, and every machine token, gets Pa.
  The event stream is the same for everybody: Pa.
- A verdict follows a written rule. A cause is an estimate and never changes a verdict.

This software does not replace the equipment maker's instructions, local codes or a licensed technician.
"""


def create_app(config: ApiConfig, clock: Clock) -> FastAPI:
    """The application of one process."""
    context = make_context(config, clock)

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        # Without waiting: a database that is not there yet must not keep health from answering.
        context.pool.open(wait=False)
        context.hub.start()
        yield
        await asyncio.to_thread(context.hub.close)
        context.pool.close(timeout=1.0)

    app = FastAPI(
        title="Holdfast",
        version="1",
        description=DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,  # served by api.pages.reference, with the right that it needs
        license_info={"name": "Apache-2.0", "identifier": "Apache-2.0"},
        lifespan=lifespan,
        max_body_size=MOST_BYTES,
    )
    # The first version that can describe a stream of events (itemSchema).
    app.openapi_version = "3.2.0"
    app.state.context = context
    app.state.probe = None if config.mqtt is None else BrokerProbe(config.mqtt)
    # FastAPI's own way to extend the document.
    app.openapi = partial(document, app)  # type: ignore[method-assign]
    problems.install(app)
    _include(app)
    app.mount(assets.own_address(), assets.LastingFiles(directory=assets.STATIC))
    app.mount(assets.plot_address(), assets.LastingFiles(directory=assets.plot_folder()))
    app.add_middleware(Gate, context=context)
    app.add_middleware(GZipMiddleware, minimum_size=800, compresslevel=6)
    return app


def make_context(config: ApiConfig, clock: Clock) -> Context:
    """The context with everything still closed."""
    pool = make_pool(config)
    database = borrower(pool)
    return Context(config, clock, pool, database, Hub(config.dsn, clock, database), Throttle())


def _include(app: FastAPI) -> None:
    versioned = APIRouter(prefix=PREFIX, responses=problems.errors_of(401, 422, 503))
    for module in (
        places, equipment, procedures, setup, jobs, job_changes, notes, readings, alerts, orders, openings,
        plans, preflight_routes, follows, quarantine, records, stream, people, tokens, me, preferences,
        channels, mornings,
    ):  # fmt: skip
        versioned.include_router(module.router)
    app.include_router(versioned)
    app.include_router(health.router)
    # A plan and the travel test before the valve, whose pages take any word for an act.
    for page in (
        board, new_job, my_jobs, job, site, site_check, site_gauge, site_volume, job_setup, plan, preflight,
        travel, valve, record, alert_list, signals, login, invitation, me_page, channels_page,
        mornings_page, figures_page, people_page, setup_pages, reference, installed,
    ):  # fmt: skip
        app.include_router(page.router, include_in_schema=False)
