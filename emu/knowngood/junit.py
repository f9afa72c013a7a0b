"""Write what a verification found as JUnit XML, the form that build servers read."""
from __future__ import annotations

import io
import xml.etree.ElementTree as Xml
from pathlib import Path

from emu.files.atomic import check_output, write_atomic
from emu.knowngood.hold import Aspect


def printable(text: str) -> str:
    """Write characters that XML 1.0 cannot hold as \\xNN."""
    return "".join(c if c in "\t\n" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd"
                   else f"\\x{ord(c):02x}" for c in text)


def suite(name: str, aspects: list[Aspect], details: str) -> Xml.ElementTree:
    """Make a test suite with a case for each aspect; ``details`` go to the failed ones."""
    failed = [a for a in aspects if a.differences]
    root = Xml.Element("testsuites")
    inner = Xml.SubElement(root, "testsuite", name=printable(name), tests=str(len(aspects)),
                           failures=str(len(failed)), errors="0", skipped="0")
    for aspect in aspects:
        case = Xml.SubElement(inner, "testcase", classname=printable(name), name=aspect.name)
        if aspect.differences:
            failure = Xml.SubElement(case, "failure", type="difference",
                                     message=printable(aspect.differences[0]))
            failure.text = printable("\n".join([*aspect.differences, "", details]))
    Xml.indent(root)
    return Xml.ElementTree(root)


def check(path: Path) -> None:
    """Look whether the XML file may be written there; InputError if not."""
    check_output(path, "JUnit file", b"<testsuite")


def write(path: Path, name: str, aspects: list[Aspect], details: str) -> None:
    """Write the XML file; InputError when the place cannot be written."""
    data = io.BytesIO()
    suite(name, aspects, details).write(data, encoding="utf-8", xml_declaration=True)
    check(path)
    write_atomic(path, data.getvalue(), "JUnit file")
