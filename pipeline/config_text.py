"""Words about the configuration: errors in plain language, and the commented reference file."""

import difflib
import json
import types
import typing
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import PydanticUndefined

__all__ = ["explain_errors", "render_reference"]

_WIDTH = 96


def explain_errors(error: ValidationError, model: type[BaseModel], *, name: str) -> str:
    """Turn pydantic's findings into one readable text.

    Parameters
    ----------
    error : ValidationError
        From validating the whole file.
    model : type of BaseModel
        Model of the whole file.
    name : str
        Name of the file.

    Returns
    -------
    str
        One line a finding: file, dotted key, value received, what is allowed.
    """
    lines: list[str] = []
    findings = error.errors()
    for finding in findings:
        # A list with a wrong item also counts as too short; the item's own finding says it all.
        depth = len(finding["loc"])
        if finding["type"] == "too_short" and any(
            len(other["loc"]) > depth and other["loc"][:depth] == finding["loc"]
            for other in findings
        ):
            continue
        location = tuple(part for part in finding["loc"] if not _is_branch(part))
        if finding["type"] == "across_keys":
            prefix = _dotted(location)
            for key, received, allowed in finding["ctx"]["problems"]:
                dotted = f"{prefix}.{key}" if prefix else key
                lines.append(f"{name}: {dotted}: {_received(received)}; allowed: {allowed}")
            continue
        key = _dotted(location)
        if finding["type"] == "extra_forbidden":
            lines.append(f"{name}: {key}: unknown key; {_valid_keys(model, location)}")
        elif finding["type"] == "missing":
            field = _find_field(model, location)
            what = f" ({_meaning(field)})" if field is not None else ""
            lines.append(f"{name}: {key}: missing; it is required{what}")
        else:
            field = _find_field(model, location)
            allowed = _allowed(field) if field is not None else ""
            allowed = allowed or finding["msg"].removeprefix("Input should be ")
            lines.append(f"{name}: {key}: {_received(finding['input'])}; allowed: {allowed}")
    # A value that fits no branch of a union is reported once a branch.
    return "\n".join(dict.fromkeys(lines))


def render_reference(model: type[BaseModel]) -> str:
    """Commented TOML with every key of a model.

    Parameters
    ----------
    model : type of BaseModel
        Model of the whole file.

    Returns
    -------
    str
    """
    head = "# Every key with its meaning [unit], what is allowed, and its default.\n"
    return head + _render_table(model, (), array=False, commented=False)


def _is_branch(part: int | str) -> bool:
    """Whether a part of a location is pydantic's name of a union branch, not a key."""
    return isinstance(part, str) and part in {
        "int", "float", "str", "bool", "constrained-str", "constrained-int", "constrained-float"
    }  # fmt: skip


def _dotted(location: tuple[int | str, ...]) -> str:
    text = ""
    for part in location:
        text += f"[{part}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _received(value: Any) -> str:
    return "not given" if value is None else f"received {value!r}"


def _strip_optional(annotation: Any) -> Any:
    """The annotation without None and Annotated."""
    if typing.get_origin(annotation) is typing.Annotated:
        return _strip_optional(typing.get_args(annotation)[0])
    if typing.get_origin(annotation) in (types.UnionType, typing.Union):
        rest = [a for a in typing.get_args(annotation) if a is not type(None)]
        return _strip_optional(rest[0]) if len(rest) == 1 else annotation
    return annotation


def _submodel(field: FieldInfo) -> tuple[type[BaseModel] | None, bool]:
    """Model of a table, and whether it is an array of tables."""
    annotation = _strip_optional(field.annotation)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation, False
    if typing.get_origin(annotation) is tuple:
        item = typing.get_args(annotation)[0]
        if isinstance(item, type) and issubclass(item, BaseModel):
            return item, True
    return None, False


def _find_model(model: type[BaseModel], location: tuple[int | str, ...]) -> type[BaseModel] | None:
    """Model of the table that a location lies in."""
    current: type[BaseModel] | None = model
    for part in location:
        if isinstance(part, int):
            continue
        if current is None or part not in current.model_fields:
            return None
        current = _submodel(current.model_fields[part])[0]
    return current


def _find_field(model: type[BaseModel], location: tuple[int | str, ...]) -> FieldInfo | None:
    """Field that a location names, or the innermost one that holds it."""
    names = list(location)
    while names and isinstance(names[-1], int):
        names.pop()
    for depth in range(len(names), 0, -1):
        table = _find_model(model, tuple(names[: depth - 1]))
        if table is not None and names[depth - 1] in table.model_fields:
            return table.model_fields[str(names[depth - 1])]
    return None


def _valid_keys(model: type[BaseModel], location: tuple[int | str, ...]) -> str:
    table = _find_model(model, location[:-1])
    valid = list(table.model_fields) if table is not None else []
    close = difflib.get_close_matches(str(location[-1]), valid, n=1, cutoff=0.6)
    hint = f"did you mean {close[0]!r}? " if close else ""
    return f"{hint}valid keys: {', '.join(valid)}"


def _extra(field: FieldInfo, key: str) -> Any:
    extra = field.json_schema_extra
    return extra.get(key) if isinstance(extra, dict) else None


def _meaning(field: FieldInfo) -> str:
    unit = _extra(field, "unit")
    return f"{field.description}{f' [{unit}]' if unit else ''}"


def _kind(annotation: Any) -> str:
    annotation = _strip_optional(annotation)
    origin = typing.get_origin(annotation)
    if origin is typing.Literal:
        return "one of " + ", ".join(json.dumps(v) for v in typing.get_args(annotation))
    if origin is tuple:
        items = typing.get_args(annotation)
        if items[-1] is Ellipsis:
            model = isinstance(items[0], type) and issubclass(items[0], BaseModel)
            return "tables" if model else f"a list of: {_kind(items[0])}"
        return f"[{', '.join(_item(i) for i in items)}]"
    if origin is dict:
        return "a table of: " + _kind(typing.get_args(annotation)[1])
    if origin in (types.UnionType, typing.Union):
        return " or ".join(_kind(a) for a in typing.get_args(annotation) if a is not type(None))
    names = {float: "a finite number", int: "an integer", bool: "true or false", str: "text"}
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return "a table"
    return names.get(annotation, "any value")


def _item(annotation: Any) -> str:
    return " ".join([_kind(annotation), *_annotated_limits(annotation)])


def _limits(metadata: list[Any]) -> list[str]:
    words = {
        "gt": "> {}", "ge": ">= {}", "lt": "< {}", "le": "<= {}", "multiple_of": "a multiple of {}",
        "min_length": "not empty", "pattern": "of the form {}",
    }  # fmt: skip
    found = []
    for item in metadata:
        for name, text in words.items():
            limit = getattr(item, name, None)
            if limit is not None:
                found.append(text.format(limit))
    return found


def _annotated_limits(annotation: Any) -> list[str]:
    """Limits written into the annotation itself, inside optional values too."""
    if typing.get_origin(annotation) is typing.Annotated:
        _, *metadata = typing.get_args(annotation)
        inner = [m for item in metadata for m in getattr(item, "metadata", [item])]
        return _limits(inner)
    if typing.get_origin(annotation) in (types.UnionType, typing.Union):
        rest = [a for a in typing.get_args(annotation) if a is not type(None)]
        return _annotated_limits(rest[0]) if len(rest) == 1 else []
    return []


def _allowed(field: FieldInfo) -> str:
    form = _extra(field, "form")
    if form:
        return str(form)
    parts = [
        _kind(field.annotation),
        *_limits(field.metadata),
        *_annotated_limits(field.annotation),
    ]
    return ", ".join(dict.fromkeys(parts))


def _toml(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_toml_key(k)} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def _toml_key(key: str) -> str:
    bare = key.replace("-", "").replace("_", "")
    return key if bare.isascii() and bare.isalnum() else json.dumps(key)


def _comment(text: str) -> str:
    """Comment of any length, wrapped."""
    lines, line = [], "#"
    for word in text.split():
        if len(line) + 1 + len(word) > _WIDTH:
            lines.append(line)
            line = "#"
        line += f" {word}"
    return "\n".join([*lines, line]) + "\n"


def _render_key(name: str, field: FieldInfo, *, commented: bool) -> str:
    default = field.get_default()
    example = _extra(field, "example")
    allowed = _allowed(field)
    if default is PydanticUndefined:
        note, value = "required", example
    elif default is None:
        note, value, commented = "optional", example, commented or not _extra(field, "shown")
    elif default == {} and isinstance(default, dict):
        note, value, commented = "optional", example, True
    else:
        note, value = "", default
    text = f"{_meaning(field)}; {allowed}{f'; {note}' if note else ''}"
    return _comment(text) + f"{'# ' if commented else ''}{_toml_key(name)} = {_toml(value)}\n"


def _render_table(
    model: type[BaseModel], path: tuple[str, ...], *, array: bool, commented: bool
) -> str:
    text = ""
    mark = "# " if commented else ""
    if path:
        doc = " ".join((model.__doc__ or "").split())
        left, right = ("[[", "]]") if array else ("[", "]")
        text += f"\n{_comment(doc)}{mark}{left}{'.'.join(path)}{right}\n"
    tables = []
    for name, field in model.model_fields.items():
        table, many = _submodel(field)
        if table is None:
            text += _render_key(name, field, commented=commented)
        else:
            hidden = commented or field.get_default() is None
            tables.append((table, (*path, name), many, hidden))
    for table, inner, many, hidden in tables:
        text += _render_table(table, inner, array=many, commented=hidden)
    return text
