"""One kernel for all tests of this folder, or a clear word why there is none."""

from __future__ import annotations

import importlib.util
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

# The files there run inside the kernel only; test_real_kernel.py sends them in by name.
collect_ignore = ["inside"]


def _load(name: str) -> ModuleType:
    """Import a file of this folder under its own name; pytest's importlib mode adds no path."""
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
    return sys.modules[name]


uml = _load("uml")


@pytest.fixture(scope="session")
def kernel(tmp_path_factory: pytest.TempPathFactory) -> Iterator[object]:
    """A booted kernel with CAN. Skips without the package, fails if HILTEST_REQUIRE_KERNEL=1."""
    reason = uml.missing()
    if reason:
        if os.environ.get(uml.REQUIRE) == "1":
            pytest.fail(f"{uml.REQUIRE}=1, but there is no kernel to test with: {reason}")
        pytest.skip(f"no kernel to test with: {reason}")
    with uml.Kernel(tmp_path_factory.mktemp("kernel")) as booted:
        yield booted
