"""Writes the classes of the documents from their JSON Schema, so that attributes, types and docstrings follow it.

Run in the repository after a schema changed; a test compares.

    python3 python/make_documents.py
"""

import json
import keyword
import pathlib
import textwrap

ROOT = pathlib.Path(__file__).resolve().parents[1]
SCHEMAS = {"results": "ResultsDocument", "sweep": "SweepDocument", "agreement": "AgreementDocument"}


def is_object(schema):
    return schema.get("type") == "object" and "properties" in schema


def plain(schema, definitions):
    """The schema without its null, and whether it may be null"""
    kinds = schema.get("type")
    if isinstance(kinds, list) and "null" in kinds:
        return {**schema, "type": next(kind for kind in kinds if kind != "null")}, True
    for choice in ("anyOf", "oneOf"):
        rest = [one for one in schema.get(choice, []) if one.get("type") != "null"]
        if len(rest) == 1 and len(schema[choice]) == 2:
            return plain(rest[0], definitions)[0], True
    return schema, False


def describe(schema, definitions):
    """Annotation and kind of a value: kinds are what `Record` makes of JSON"""
    schema, optional = plain(schema, definitions)
    note, kind = inner(schema, definitions)
    return (f"{note} | None" if optional and note != "Any" else note), kind


def inner(schema, definitions):
    if "$ref" in schema:
        name = schema["$ref"].rsplit("/", 1)[1]
        target = definitions[name]
        if name == "Interval":
            return "Interval", ("interval", "")
        if is_object(target):
            return name, ("record", name)
        return inner(target, definitions)
    for choice in ("oneOf", "anyOf"):
        words = [one.get("const") for one in schema.get(choice, [])]
        for one in schema.get(choice, []):
            words += one.get("enum", [])
        words = [word for word in words if word is not None]
        if words and all("const" in one or "enum" in one for one in schema[choice]):
            return "Literal[" + ", ".join(json.dumps(word) for word in words) + "]", None
    if "enum" in schema:
        return "Literal[" + ", ".join(json.dumps(word) for word in schema["enum"]) + "]", None
    if schema.get("type") == "array":
        items = schema.get("items")
        if not isinstance(items, dict):
            return "list[Any]", None
        note, kind = describe(items, definitions)
        size = schema.get("maxItems")
        if items.get("type") == "number":
            return ("tuple[float, float]", ("tuple", "")) if size == 2 else ("NDArray[np.float64]", ("array", ""))
        if note == "tuple[float, float]" or note == "NDArray[np.float64]":
            return "NDArray[np.float64]", ("array", "")
        if size is not None:
            return f"tuple[{', '.join([note] * size)}]", ("tuple", "")
        if kind is not None and kind[0] in ("record", "interval"):
            return f"tuple[{note}, ...]", (kind[0] + "s", kind[1])
        return f"list[{note}]", None
    simple = {"number": "float", "integer": "int", "string": "str", "boolean": "bool"}
    return simple.get(schema.get("type"), "Any"), None


def shape(schema, definitions):
    """Entries along each axis of an array, n for any number"""
    schema, _ = plain(schema, definitions)
    if "$ref" in schema:
        return shape(definitions[schema["$ref"].rsplit("/", 1)[1]], definitions)
    if schema.get("type") != "array":
        return []
    return [str(schema.get("maxItems", "n")), *shape(schema["items"], definitions)]


def sentence(text):
    return " ".join(text.replace("`null`", "None").split())


def write_class(name, schema, definitions):
    lines = [f"class {name}(Record):", f'    """{sentence(schema.get("description", name))}', ""]
    lines += ["    Attributes", "    ----------"]
    fields, kinds = [], {}
    for key, value in schema["properties"].items():
        note, kind = describe(value, definitions)
        # Python's own words get an underscore behind them.
        key += "_" if keyword.iskeyword(key) else ""
        fields.append(f"    {key}: {note}")
        if kind is not None:
            kinds[key] = kind
        sides = shape(value, definitions) if kind == ("array", "") else []
        told = f", shape ({', '.join(sides)}{',' * (len(sides) == 1)})" if sides else ""
        lines.append(f"    {key} : {note}{told}")
        about = sentence(value.get("description", ""))
        lines += textwrap.wrap(about, 106, initial_indent="        ", subsequent_indent="        ")
    lines += ['    """', ""]
    if kinds:
        lines.append("    _kinds: ClassVar[dict[str, tuple[str, str]]] = {")
        lines += [f'        "{key}": ("{kind}", "{of}"),' for key, (kind, of) in kinds.items()]
        lines += ["    }", ""]
    return "\n".join(lines + fields) + "\n"


def document(stem, root):
    schema = json.loads((ROOT / "docs" / "schema" / f"{stem}.schema.json").read_text())
    definitions = schema["$defs"]
    out = [f'"""What stands in {schema["title"].lower()}: made by make_documents.py, not to be changed by hand."""\n']
    out.append("from __future__ import annotations\n")
    out.append("from typing import TYPE_CHECKING, Any, ClassVar, Literal\n")
    out.append("from ._record import Interval, Record\n")
    out.append("if TYPE_CHECKING:\n    import numpy as np\n    from numpy.typing import NDArray\n")
    names = sorted([*(name for name, one in definitions.items() if is_object(one) and name != "Interval"), root])
    out.append("__all__ = [\n" + "".join(f'    "{name}",\n' for name in names) + "]\n\n")
    for name, one in sorted(definitions.items()):
        if is_object(one) and name != "Interval":
            out.append(write_class(name, one, definitions) + "\n")
    out.append(write_class(root, schema, definitions))
    return "\n".join(out)


def made():
    """Path and text of each module"""
    folder = ROOT / "python" / "narrows"
    return {folder / f"_{stem}.py": document(stem, root) for stem, root in SCHEMAS.items()}


if __name__ == "__main__":
    for path, text in made().items():
        path.write_text(text)
