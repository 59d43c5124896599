"""Images of each file system, made once."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.contents.images import MAKERS, customer_files


@pytest.fixture(scope="session")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that each image was filled from."""
    return customer_files(tmp_path_factory.mktemp("files"))


@pytest.fixture(scope="session")
def images(tmp_path_factory: pytest.TempPathFactory, files: Path) -> dict[str, Path]:
    """Images by file system, made when `image_of` first asks for one."""
    return {name: tmp_path_factory.mktemp("images") / f"{name}.img" for name in MAKERS}


@pytest.fixture
def image(request: pytest.FixtureRequest, images: dict[str, Path], files: Path) -> Path:
    """The image of the file system that the test is run for: `parametrize("image", ..., indirect=True)`."""
    path = images[request.param]
    if not path.exists():
        MAKERS[request.param](path, files)
    return path
