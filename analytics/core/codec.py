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


def _clone(value: Any) -> Any:
    if isinstance(value, list):
        # Lists hold one kind of thing; primitives and tuples of primitives cannot change.
        deep = bool(value) and not isinstance(value[0], (int, float, str, tuple))
        return [_clone(item) for item in value] if deep else value.copy()
    if isinstance(value, dict):
        return {key: _clone(item) for key, item in value.items()}
    if not is_dataclass(value):
        return value
    copy = object.__new__(type(value))
    for name in _names(cast(Hashable, type(value))):
        item = getattr(value, name)
        if isinstance(item, (list, dict)) or is_dataclass(item):
            item = _clone(item)
        object.__setattr__(copy, name, item)
    return copy


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
