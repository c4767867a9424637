"""What every request needs, made once a process and found on the application's state."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, cast

from fastapi import Depends, Request
from psycopg import DataError, OperationalError
from psycopg.errors import NumericValueOutOfRange, QueryCanceled
from psycopg.rows import dict_row
from psycopg_pool import ConnectionPool, PoolTimeout

from api.config import ApiConfig
from api.throttle import Throttle
from model.clock import Clock, to_datetime
from model.errors import BadInput, Unavailable
from store.database import Connection, conninfo
from store.people import Person

if TYPE_CHECKING:
    from api.hub import Hub

POOL_PATIENCE_S = 3.0
"""How long a request waits for a connection before it says that the database does not answer."""


Borrow = Callable[[], AbstractContextManager[Connection]]
"""Lends a connection in a transaction that is committed at the end."""


@dataclass(slots=True)
class Context:
    """Settings, clock, connections, the fan-out to open pages and the brake on logins."""

    config: ApiConfig
    clock: Clock
    pool: ConnectionPool[Connection]
    database: Borrow
    hub: Hub
    throttle: Throttle

    def now(self) -> datetime:
        """The time of this installation's clock."""
        return to_datetime(self.clock.now_us())


def borrower(pool: ConnectionPool[Connection]) -> Borrow:
    """Lend from the pool; what it lends raises `Unavailable` if the database does not answer."""

    @contextmanager
    def borrow() -> Iterator[Connection]:
        try:
            with pool.connection() as conn:
                yield conn
        except NumericValueOutOfRange as error:
            raise BadInput("A number in this request is larger than any that is kept here.") from error
        except DataError as error:
            if error.sqlstate is None and "NUL" in str(error):
                raise BadInput("A text in this request holds the character U+0000.") from error
            raise
        except QueryCanceled as error:
            raise Unavailable("The database took too long; ask for less, or try again.") from error
        except (OperationalError, PoolTimeout) as error:
            raise Unavailable("The database does not answer. Nothing was changed; try again soon.") from error

    return borrow


def make_pool(config: ApiConfig) -> ConnectionPool[Connection]:
    """A pool that is opened by the application's start and tests each connection before lending it."""
    return ConnectionPool(
        conninfo(config.dsn, application="serve", statement_timeout_s=15),
        connection_class=Connection,
        kwargs={"row_factory": dict_row},
        min_size=1,
        max_size=config.connections,
        timeout=POOL_PATIENCE_S,
        check=ConnectionPool.check_connection,
        name="serve",
        open=False,
    )


def get_context(request: Request) -> Context:
    """The context of the application that serves this request."""
    return cast(Context, request.app.state.context)


def get_person(request: Request) -> Person:
    """Who is logged in; the gate lets nobody else through."""
    return cast(Person, request.state.person)


Ctx = Annotated[Context, Depends(get_context)]
LoggedIn = Annotated[Person, Depends(get_person)]
