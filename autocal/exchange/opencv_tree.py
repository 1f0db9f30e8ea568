"""The text forms of OpenCV's FileStorage (YAML, XML) as a plain tree of numbers, texts and maps.

Read without cv2.FileStorage: files come from anywhere, and its parser runs in native code. Here
YAML goes through PyYAML's safe loader without aliases (they can multiply), XML through expat
without a document type (entities can multiply). A tree's leaves are float64 arrays or texts.
"""

from __future__ import annotations

import re
from typing import Any, Final
from xml.etree import ElementTree

import numpy as np
import yaml

from autocal.errors import CalibrationFileError
from autocal.geometry.lens import Array

Tree = dict[str, "Array | str | Tree"]

LARGEST_TEXT_BYTES: Final = 256 * 1024
_DEEPEST = 32


def parse_tree(data: bytes) -> Tree:
    """The tree of a FileStorage text, YAML or XML.

    Raises CalibrationFileError (without the file's name) on anything that is none, is deeper than 32
    levels, or holds what such a file never holds.
    """
    if len(data) > LARGEST_TEXT_BYTES:
        raise CalibrationFileError(
            f"it is larger than {LARGEST_TEXT_BYTES // 1024} KB, which no such file is"
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise CalibrationFileError("it is no text") from problem
    _refuse_depth(text)
    tree = _tree_of_xml(text) if text.lstrip().startswith("<") else _tree_of_yaml(text)
    if not isinstance(tree, dict):
        raise CalibrationFileError("it holds no named values")
    return tree


def _refuse_depth(text: str) -> None:
    """Brackets and indentation nest; a calibration nests three or four deep."""
    depth = np.cumsum([(c in "[{") - (c in "]}") for c in text if c in "[]{}"] or [0])
    indent = max((len(line) - len(line.lstrip(" -?")) for line in text.splitlines()), default=0)
    if max(depth.max(), indent // 8) > _DEEPEST:
        raise CalibrationFileError("it is nested deeper than any calibration")


# YAML


class _Loader(yaml.SafeLoader):
    """The safe loader without aliases, and with OpenCV's matrices."""

    def compose_node(self, parent: Any, index: Any) -> Any:
        if self.check_event(yaml.AliasEvent):
            raise yaml.YAMLError("aliases (*name) have no place in a calibration")
        return super().compose_node(parent, index)


def _matrix_of_yaml(loader: _Loader, node: yaml.Node) -> Array:
    if not isinstance(node, yaml.MappingNode):
        raise CalibrationFileError("an opencv-matrix without rows, cols and data")
    return _matrix(loader.construct_mapping(node, deep=True))


_Loader.add_constructor("tag:yaml.org,2002:opencv-matrix", _matrix_of_yaml)


def _tree_of_yaml(text: str) -> Any:
    # OpenCV writes "%YAML:1.0", which is no YAML directive.
    body = re.sub(r"\A\s*%YAML[^\n]*\n", "", text)
    try:
        return _plain(yaml.load(body, _Loader))  # a safe loader
    except yaml.MarkedYAMLError as problem:
        line = f" in line {problem.problem_mark.line + 1}" if problem.problem_mark else ""
        raise CalibrationFileError(f"its YAML is damaged{line}: {problem.problem}") from problem
    except (yaml.YAMLError, ValueError, TypeError, RecursionError, AttributeError, KeyError) as problem:
        raise CalibrationFileError(f"its YAML is damaged: {str(problem)[:200]}") from problem


def _plain(value: Any) -> Any:
    """Dictionaries, float arrays and texts only; sequences of numbers become arrays."""
    if isinstance(value, dict):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, np.ndarray):
        return value
    if isinstance(value, bool) or value is None:
        return str(value)
    if isinstance(value, int | float | list):
        return _array(value)
    number = _array(value) if isinstance(value, str) else None
    return number if isinstance(number, np.ndarray) else str(value)


def _array(value: Any) -> Array | str:
    """Numbers in nested lists, or in a text, as an array; else the text."""
    try:
        array = np.array(value, dtype=np.float64)
    except (ValueError, TypeError, OverflowError):
        return str(value)[:200]
    return array


def _number(value: Any) -> float:
    """OpenCV writes .Nan and -.Inf, which are no YAML numbers."""
    return float(value.replace(".N", "N").replace(".I", "I") if isinstance(value, str) else value)


def _matrix(parts: dict[Any, Any]) -> Array:
    try:
        rows, cols, data = int(parts["rows"]), int(parts["cols"]), parts["data"]
        values = np.array([_number(v) for v in data], dtype=np.float64)
    except (KeyError, ValueError, TypeError, OverflowError) as problem:
        raise CalibrationFileError("an opencv-matrix must have rows, cols and numbers as data") from problem
    if rows < 1 or cols < 1 or rows * cols != values.size:
        raise CalibrationFileError(
            f"an opencv-matrix of {rows} rows and {cols} columns holds {values.size} numbers"
        )
    return values.reshape(rows, cols)


# XML


def _tree_of_xml(text: str) -> Any:
    if "<!DOCTYPE" in text or "<!ENTITY" in text:
        raise CalibrationFileError("an XML document type has no place in a calibration")
    try:
        root = ElementTree.fromstring(text)
    except ElementTree.ParseError as problem:
        raise CalibrationFileError(f"its XML is damaged: {problem}") from problem
    if root.tag != "opencv_storage":
        raise CalibrationFileError("it is XML, but no OpenCV storage (no <opencv_storage>)")
    return _tree_of_element(root)


def _tree_of_element(element: ElementTree.Element, depth: int = 0) -> Any:
    if depth > _DEEPEST:
        raise CalibrationFileError("it is nested deeper than any calibration")
    if element.get("type_id") == "opencv-matrix":
        parts: dict[Any, Any] = {child.tag: (child.text or "").strip() for child in element}
        return _matrix({**parts, "data": parts.get("data", "").split()})
    if len(element):
        return {child.tag: _tree_of_element(child, depth + 1) for child in element}
    text = (element.text or "").strip()
    numbers = _array(text.split()) if text else text
    if isinstance(numbers, np.ndarray):
        return numbers if numbers.size != 1 else numbers.reshape(())
    return text.strip('"')
