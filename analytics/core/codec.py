"""State as plain data: exact there and back through JSON, and a cheap copy."""

from __future__ import annotations

import types
from collections.abc import Callable, Hashable
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from typing import Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

T = TypeVar("T")


def encode(value: Any) -> Any:
    """Turn nested dataclasses, lists, tuples and dicts of primitives into what JSON can carry."""
    if isinstance(value, Enum):
        return value.value
    if is_dataclass(value) and not isinstance(value, type):
        return {name: encode(getattr(value, name)) for name in _names(type(value))}
    if isinstance(value, (list, tuple)):
        return [encode(item) for item in value]
    if isinstance(value, dict):
        return {str(key): encode(item) for key, item in value.items()}
    return value


def decode(kind: type[T], data: Any) -> T:
    """The inverse of `encode` for a value of type ``kind``.

    Raises
    ------
    KeyError, TypeError, ValueError
        If ``data`` was not made by `encode` from such a value.
    """
    decoder: Callable[[Any], T] = _decoder(cast(Hashable, kind))
    return decoder(data)


def clone(value: T) -> T:
    """Copy a state so deeply that changing the copy never shows in the original."""
    copy: T = _clone(value)
    return copy


# Looked at first: most of a state is made of these, and they cannot change.
_FIXED = frozenset({int, float, bool, str, type(None), tuple})


def _clone(value: Any) -> Any:
    kind = type(value)
    if kind is list:
        # Lists hold one kind of thing; tuples are of primitives.
        deep = bool(value) and type(value[0]) not in _FIXED
        return [_clone(item) for item in value] if deep else value.copy()
    if kind is dict:
        return {key: item if type(item) in _FIXED else _clone(item) for key, item in value.items()}
    names = _fields_of(cast(Hashable, kind))
    if names is None:
        return value
    copy = object.__new__(kind)
    for name in names:
        item = getattr(value, name)
        object.__setattr__(copy, name, item if type(item) in _FIXED else _clone(item))
    return copy


@cache
def _fields_of(kind: Any) -> tuple[str, ...] | None:
    return tuple(field.name for field in fields(kind)) if is_dataclass(kind) else None


@cache
def _names(kind: Any) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))


@cache
def _decoder(kind: Any) -> Callable[[Any], Any]:
    origin, args = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        inner = _decoder(next(arg for arg in args if arg is not type(None)))
        return lambda data: None if data is None else inner(data)
    if origin is list:
        item = _decoder(args[0])
        return lambda data: [item(one) for one in data]
    if origin is tuple:
        if len(args) == 2 and args[1] is Ellipsis:
            each = _decoder(args[0])
            return lambda data: tuple(each(one) for one in data)
        parts = [_decoder(arg) for arg in args]
        return lambda data: tuple(part(one) for part, one in zip(parts, data, strict=True))
    if origin is dict:
        key, item = _decoder(args[0]), _decoder(args[1])
        return lambda data: {key(name): item(one) for name, one in data.items()}
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        by_name = {name: _decoder(hints[name]) for name in _names(kind)}  # type: ignore[arg-type]
        return lambda data: kind(**{name: one(data[name]) for name, one in by_name.items()})  # type: ignore[operator]
    if kind in (int, float, str) or (isinstance(kind, type) and issubclass(kind, Enum)):
        return kind  # type: ignore[no-any-return]
    return lambda data: data
