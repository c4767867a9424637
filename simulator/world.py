"""The whole fleet, driven by a clock."""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor

from simulator.cases import stories
from simulator.clock import US, Clock
from simulator.gateway import Gateway
from simulator.mqtt import Credentials, Link
from simulator.scenario import Scenario
from simulator.site import Site, Wish

LIVE_BATCH_US = 3 * US
REPLAY_BATCH_US = 150 * US
"""While the clock runs fast a gateway batches so long: 15 readings of a gauge in a pack."""

PAST_TICK_US = 30 * US


class World:
    """All sites and their gateways.

    Parameters
    ----------
    scenario : Scenario
        The company.
    resume_from_us : int, optional
        Go on from this moment [µs]: everything before it is made up without being sent.
    boot : str, optional
        Name of the gateways' boot; random if not given.
    """

    def __init__(self, scenario: Scenario, resume_from_us: int | None = None, boot: str = "") -> None:
        boot = boot or secrets.token_hex(2)
        self.sites: list[Site] = []
        self.gateways: dict[str, Gateway] = {}
        for story in stories(scenario):
            moment_us = scenario.start_us if resume_from_us is None else resume_from_us
            site = Site(story.site, None, story.begin_us(moment_us), str(scenario.seed))
            site.follow(story.script(site))
            if resume_from_us is not None:
                site.tick_us = PAST_TICK_US
                site.run_to(resume_from_us)
                site.tick_us = story.site.tick_us
                # What is left of the last tick passes unseen.
                site.now_us = max(site.now_us, resume_from_us)
            site.gateway = self.gateways[story.site.gateway] = Gateway(story.site.gateway, boot)
            self.sites.append(site)

    def advance(self, until_us: int) -> None:
        """Let all sites live until a moment."""
        for site in self.sites:
            site.run_to(until_us)

    def site(self, gateway: str) -> Site:
        """The site of a gateway."""
        return next(site for site in self.sites if site.data.gateway == gateway)


class Fleet:
    """A world on a broker.

    Parameters
    ----------
    world : World
        The sites.
    credentials : Mapping
        Where each gateway connects, and as whom, by gateway.
    clock : Clock
        The time that drives it.
    wish : callable, optional
        Takes the crews' wishes to have a valve closed from afar.
    """

    def __init__(
        self,
        world: World,
        credentials: Mapping[str, Credentials],
        clock: Clock,
        wish: Wish | None = None,
    ) -> None:
        self._world = world
        for site in world.sites:
            site.wish = wish
        self._clock = clock
        self._links = [
            Link(world.gateways[site.data.gateway], credentials[site.data.gateway], site.order)
            for site in world.sites
        ]

    @property
    def trouble(self) -> str:
        """Why a gateway is not connected, in words; empty when all is well."""
        return next((link.trouble for link in self._links if link.trouble), "")

    @property
    def fast(self) -> bool:
        """Whether the clock runs much faster than the wall's."""
        return self._clock.real_seconds(60.0) < 20.0

    def step(self) -> int:
        """Catch up with the clock and send what is due; the number of messages."""
        batch_us = REPLAY_BATCH_US if self.fast else LIVE_BATCH_US
        self._world.advance(self._clock.now_us())
        sent = 0
        for site, link in zip(self._world.sites, self._links, strict=True):
            link.gateway.batch_us = batch_us
            link.radio = site.radio
            sent += link.tend(site.now_us, self._clock.now_us())
        return sent

    def close(self) -> None:
        """Send what is left, say goodbye."""

        def leave(site: Site, link: Link) -> None:
            link.gateway.batch_us = 0
            link.tend(site.now_us, self._clock.now_us())
            link.close()

        with ThreadPoolExecutor(max_workers=len(self._links)) as pool:
            list(pool.map(leave, self._world.sites, self._links))
