"""Sites, circuits and crews."""

from __future__ import annotations

from collections.abc import Mapping
from zoneinfo import available_timezones

from fastapi import APIRouter, Request
from starlette.responses import Response

from api.context import Ctx
from api.figures import Figures
from api.pages import render
from api.pages.after import see
from api.pages.setup import pipes
from api.pages.setup.forms import Field, Form, Typed, errors_of
from api.pages.setup.search import narrowed
from api.permissions import MayEquip
from api.reader import figures_of, texts_of
from api.routes.places import Number, by_of
from model import quantities
from model.equipment import Circuit, Site
from model.errors import BadInput, NotFound
from model.records import kept
from model.texts import Texts
from physics.refrigerants import NOT_LISTED, REFRIGERANTS, listed
from store import audit, changing, deleting, equipment, openings
from store.database import Connection
from store.lists import CIRCUITS, CREWS, SITES

router = APIRouter()

SITE = (
    Field("name", "Name", required=True),
    Field(
        "time_zone",
        "Time zone",
        "such as Europe/Berlin; times of its jobs are shown in it",
        list_id="zones",
        required=True,
    ),
    Field("place", "Place", "where it is, in words", lines=2),
)
CIRCUIT = (
    Field("name", "Name", required=True),
    Field("volume", "Volume", "with its unit: 38 l, 1.5 ft3; empty if it is not known"),
    Field("refrigerant", "Refrigerant", "such as R-448A", list_id="fluids"),
    Field("oil", "Oil", "such as POE 32"),
)
CREW = (Field("name", "Name", required=True),)
LISTS = {"zones": sorted(available_timezones()), "fluids": sorted(REFRIGERANTS)}


# Sites ------------------------------------------------------------------------------------------------


def _sites(request: Request, ctx: Ctx, form: Form, status: int = 200) -> Response:
    with ctx.database() as conn:
        rows = conn.execute(
            "SELECT s.*, (SELECT count(*) FROM circuit c WHERE c.site_id = s.id) AS circuits, "
            "(SELECT count(*) FROM gateway g WHERE g.site_id = s.id) AS gateways FROM site s ORDER BY s.name"
        ).fetchall()
        rows, search = narrowed(request, conn, SITES, rows, {})
    return render(request, "setup/sites.html", status, rows=rows, search=search, form=form, lists=LISTS)


@router.get("/setup/sites")
def sites(request: Request, ctx: Ctx, person: MayEquip) -> Response:
    """All sites."""
    return _sites(request, ctx, Form(SITE, {}, "/setup/sites", "Add site"))


@router.post("/setup/sites")
def add_site(request: Request, ctx: Ctx, person: MayEquip, typed: Typed) -> Response:
    """Register a site."""
    texts = Texts(typed)
    try:
        with ctx.database() as conn:
            made = equipment.add_site(
                conn, texts.raw("name"), texts.raw("time_zone"), texts.raw("place"), by=by_of(ctx, person)
            )
    except BadInput as error:
        form = Form(SITE, typed, "/setup/sites", "Add site", errors_of(error))
        return _sites(request, ctx, form, 422)
    return see(f"/setup/sites/{made.id}", "added")


def _site(
    request: Request,
    ctx: Ctx,
    number: int,
    status: int = 200,
    *,
    edit: Form | None = None,
    add: Form | None = None,
    stray: str = "",
) -> Response:
    with ctx.database() as conn:
        site = equipment.site_from_row(_row(conn, "site", number))
        circuits = equipment.circuits(conn, number)
        gateways = [one for one in equipment.gateways(conn) if one.site_id == number]
        history = audit.history(conn, f"site:{number}")
        opening = openings.of_site(conn, number)
    edit = edit or Form(SITE, _texts(site), f"/setup/sites/{number}", "Save")
    add = add or _adding(number, {})
    return render(
        request,
        "setup/site.html",
        status,
        site=site,
        opening=opening,
        circuits=circuits,
        gateways=gateways,
        history=history,
        edit=edit,
        add=add,
        lists=LISTS,
        stray=stray,
    )


def _adding(site_id: int, values: Mapping[str, str], errors: Mapping[str, str] | None = None) -> Form:
    action = f"/setup/sites/{site_id}/circuits"
    return Form(CIRCUIT, values, action, "Add circuit", errors or {}, prefix="add")


@router.get("/setup/sites/{number}")
def site(request: Request, ctx: Ctx, person: MayEquip, number: Number) -> Response:
    """One site with its circuits and gateways."""
    return _site(request, ctx, number)


@router.post("/setup/sites/{number}")
def change_site(request: Request, ctx: Ctx, person: MayEquip, number: Number, typed: Typed) -> Response:
    """Change a site."""
    changes = {name: typed.get(name, "") for name in ("name", "time_zone", "place")}
    try:
        with ctx.database() as conn:
            changing.change_site(conn, number, by_of(ctx, person), **changes)
    except NotFound:
        raise
    except BadInput as error:
        form = Form(SITE, typed, f"/setup/sites/{number}", "Save", errors_of(error))
        return _site(request, ctx, number, 422, edit=form)
    return see(f"/setup/sites/{number}")


@router.post("/setup/sites/{number}/delete")
def delete_site(request: Request, ctx: Ctx, person: MayEquip, number: Number) -> Response:
    """Delete a site that nothing uses."""
    try:
        with ctx.database() as conn:
            deleting.delete(conn, "site", number, by_of(ctx, person))
    except NotFound:
        raise
    except BadInput as error:
        return _site(request, ctx, number, 409, stray=str(error))
    return see("/setup/sites", "deleted")


# Circuits ---------------------------------------------------------------------------------------------


@router.get("/setup/circuits")
def circuits(request: Request, ctx: Ctx, person: MayEquip) -> Response:
    """All circuits, by site."""
    with ctx.database() as conn:
        rows = conn.execute(
            "SELECT c.*, s.name AS site FROM circuit c JOIN site s ON s.id = c.site_id "
            "ORDER BY s.name, c.name"
        ).fetchall()
        rows, search = narrowed(request, conn, CIRCUITS, rows, {"site": None})
    return render(request, "setup/circuits.html", rows=rows, search=search)


@router.post("/setup/sites/{number}/circuits")
def add_circuit(request: Request, ctx: Ctx, person: MayEquip, number: Number, typed: Typed) -> Response:
    """Register a circuit at a site."""
    try:
        name, volume, refrigerant, oil = _circuit_of(texts_of(request, typed))
        with ctx.database() as conn:
            made = equipment.add_circuit(conn, number, name, volume, refrigerant, oil, by=by_of(ctx, person))
    except BadInput as error:
        return _site(request, ctx, number, 422, add=_adding(number, typed, errors_of(error)))
    return see(f"/setup/circuits/{made.id}", "added")


def _circuit(
    request: Request,
    ctx: Ctx,
    number: int,
    status: int = 200,
    *,
    edit: Form | None = None,
    calculation: pipes.Calculation | None = None,
    stray: str = "",
) -> Response:
    with ctx.database() as conn:
        found = equipment.circuit_from_row(_row(conn, "circuit", number))
        site = equipment.site_from_row(_row(conn, "site", found.site_id))
        jobs = conn.execute("SELECT count(*) AS n FROM job WHERE circuit_id = %s", (number,)).fetchone()
        history = audit.history(conn, f"circuit:{number}")
    values = _circuit_texts(found, figures_of(request))
    edit = edit or Form(CIRCUIT, values, f"/setup/circuits/{number}", "Save")
    return render(
        request,
        "setup/circuit.html",
        status,
        circuit=found,
        listed=listed(found.refrigerant),
        not_listed=NOT_LISTED,
        site=site,
        jobs=(jobs or {"n": 0})["n"],
        history=history,
        edit=edit,
        calculation=calculation or pipes.Calculation.empty(),
        lists=LISTS,
        stray=stray,
    )


@router.get("/setup/circuits/{number}")
def circuit(request: Request, ctx: Ctx, person: MayEquip, number: Number) -> Response:
    """One circuit, with the calculator for its volume."""
    return _circuit(request, ctx, number)


@router.post("/setup/circuits/{number}")
def change_circuit(request: Request, ctx: Ctx, person: MayEquip, number: Number, typed: Typed) -> Response:
    """Change a circuit, or only calculate its volume: the same form, so that nothing typed is lost."""
    action = f"/setup/circuits/{number}"
    if "calculate" in typed:
        figures = figures_of(request)
        decimal = figures.conventions.decimal
        calculation = pipes.Calculation.of(typed, decimal)
        values = dict(typed)
        if calculation.total is not None:
            about = float(f"{calculation.total.value:.3g}")
            values["volume"] = quantities.write_volume(about, figures.units.volume, decimal)
        form = Form(CIRCUIT, values, action, "Save")
        status = 422 if calculation.errors else 200
        return _circuit(request, ctx, number, status, edit=form, calculation=calculation)
    try:
        name, volume, refrigerant, oil = _circuit_of(texts_of(request, typed))
        with ctx.database() as conn:
            before = _row(conn, "circuit", number)
            changing.change_circuit(
                conn,
                number,
                by_of(ctx, person),
                name=name,
                volume_m3=kept(volume, before["volume_m3"]),
                refrigerant=refrigerant,
                oil=oil,
            )
    except NotFound:
        raise
    except BadInput as error:
        form = Form(CIRCUIT, typed, action, "Save", errors_of(error))
        return _circuit(request, ctx, number, 422, edit=form, calculation=pipes.Calculation.kept(typed))
    return see(action)


@router.post("/setup/circuits/{number}/delete")
def delete_circuit(request: Request, ctx: Ctx, person: MayEquip, number: Number) -> Response:
    """Delete a circuit that no job is about."""
    try:
        with ctx.database() as conn:
            site_id = _row(conn, "circuit", number)["site_id"]
            deleting.delete(conn, "circuit", number, by_of(ctx, person))
    except NotFound:
        raise
    except BadInput as error:
        return _circuit(request, ctx, number, 409, stray=str(error))
    return see(f"/setup/sites/{site_id}", "deleted")


# Crews ------------------------------------------------------------------------------------------------


def _crews(
    request: Request, ctx: Ctx, form: Form, status: int = 200, at: Mapping[int, str] | None = None
) -> Response:
    with ctx.database() as conn:
        rows = conn.execute(
            "SELECT w.*, (SELECT count(*) FROM job j WHERE j.crew_id = w.id) AS jobs FROM crew w "
            "ORDER BY w.name"
        ).fetchall()
        rows, search = narrowed(request, conn, CREWS, rows, {})
    return render(
        request,
        "setup/crews.html",
        status,
        rows=rows,
        search=search,
        form=form,
        at=at or {},
        typed=form.values,
    )


@router.get("/setup/crews")
def crews(request: Request, ctx: Ctx, person: MayEquip) -> Response:
    """All crews."""
    return _crews(request, ctx, Form(CREW, {}, "/setup/crews", "Add crew"))


@router.post("/setup/crews")
def add_crew(request: Request, ctx: Ctx, person: MayEquip, typed: Typed) -> Response:
    """Register a crew."""
    try:
        with ctx.database() as conn:
            equipment.add_crew(conn, typed.get("name", ""), by=by_of(ctx, person))
    except BadInput as error:
        return _crews(request, ctx, Form(CREW, typed, "/setup/crews", "Add crew", errors_of(error)), 422)
    return see("/setup/crews", "added")


@router.post("/setup/crews/{number}")
def change_crew(request: Request, ctx: Ctx, person: MayEquip, number: Number, typed: Typed) -> Response:
    """Give a crew another name, or delete it."""
    try:
        with ctx.database() as conn:
            if "delete" in typed:
                deleting.delete(conn, "crew", number, by_of(ctx, person))
            else:
                changing.change_crew(conn, number, by_of(ctx, person), typed.get("name", ""))
    except NotFound:
        raise
    except BadInput as error:
        form = Form(CREW, {f"crew-{number}": typed.get("name", "")}, "/setup/crews", "Add crew")
        return _crews(request, ctx, form, 409 if "delete" in typed else 422, {number: str(error)})
    return see("/setup/crews", "deleted" if "delete" in typed else "saved")


def _row(conn: Connection, kind: str, number: int) -> dict[str, object]:
    return changing.row_of(conn, kind, number)


def _texts(site: Site) -> dict[str, str]:
    return {"name": site.name, "time_zone": site.time_zone, "place": site.place}


def _circuit_texts(circuit: Circuit, figures: Figures) -> dict[str, str]:
    return {
        "name": circuit.name,
        "volume": quantities.write_volume(
            circuit.volume_m3, figures.units.volume, figures.conventions.decimal
        ),
        "refrigerant": circuit.refrigerant or "",
        "oil": circuit.oil or "",
    }


def _circuit_of(texts: Texts) -> tuple[str, float | None, str | None, str | None]:
    name = texts.text("name", required=True)
    volume = texts.read("volume", quantities.volume)
    words = [texts.text(field) or None for field in ("refrigerant", "oil")]
    texts.done()
    return name, volume, words[0], words[1]
