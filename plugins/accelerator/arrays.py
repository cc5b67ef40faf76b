"""The two array libraries that the workload can use, and the few things that it needs of one."""

from __future__ import annotations

import os
from importlib import import_module
from typing import Any, Protocol

from soakd.api import WorkloadError

PRIME = 127
HALF = 63


class Library(Protocol):
    """Arrays on an accelerator; one device to a process."""

    name: str
    """With its version."""

    def count(self) -> int:
        """How many devices there are."""
        ...

    def open(self, device: int) -> str:
        """Take one; returns what it is called."""
        ...

    def put(self, array: Any) -> Any:
        """A copy of a numpy array on the device."""
        ...

    def get(self, array: Any) -> Any:
        """A copy of the device's array for numpy."""
        ...

    def step(self, state: Any, matrix: Any) -> tuple[Any, Any]:
        """X*M modulo 127 in 8 bits, and how many products were no whole numbers."""
        ...

    def finish(self) -> None:
        """Wait for the device without giving up the core, so that the worker's time counts as load."""
        ...


class Torch:
    """PyTorch."""

    def __init__(self, torch: Any, *, tensor: bool) -> None:
        self.name = f"torch {torch.__version__}"
        self._torch = torch
        self._tensor = tensor

    def count(self) -> int:
        return int(self._torch.cuda.device_count())

    def open(self, device: int) -> str:
        torch = self._torch
        torch.backends.cuda.matmul.allow_tf32 = self._tensor
        torch.cuda.set_device(device)
        self._mark = torch.cuda.Event()
        return str(torch.cuda.get_device_name(device))

    def put(self, array: Any) -> Any:
        return self._torch.from_numpy(array).to("cuda")

    def get(self, array: Any) -> Any:
        return array.cpu().numpy()

    def step(self, state: Any, matrix: Any) -> tuple[Any, Any]:
        torch = self._torch
        product = state.to(torch.float32) @ matrix
        whole = product.to(torch.int32)
        return ((whole + HALF) % PRIME - HALF).to(torch.int8), (product != whole.to(torch.float32)).sum()

    def finish(self) -> None:
        self._mark.record()
        while not self._mark.query():
            pass


class Cupy:
    """CuPy."""

    def __init__(self, cupy: Any) -> None:
        self.name = f"cupy {cupy.__version__}"
        self._cupy = cupy

    def count(self) -> int:
        try:
            return int(self._cupy.cuda.runtime.getDeviceCount())
        except self._cupy.cuda.runtime.CUDARuntimeError:
            return 0

    def open(self, device: int) -> str:
        cuda = self._cupy.cuda
        cuda.Device(device).use()
        self._mark = cuda.Event(disable_timing=True)
        return str(cuda.runtime.getDeviceProperties(device)["name"].decode())

    def put(self, array: Any) -> Any:
        return self._cupy.asarray(array)

    def get(self, array: Any) -> Any:
        return self._cupy.asnumpy(array)

    def step(self, state: Any, matrix: Any) -> tuple[Any, Any]:
        cupy = self._cupy
        product = state.astype(cupy.float32) @ matrix
        whole = product.astype(cupy.int32)
        return ((whole + HALF) % PRIME - HALF).astype(cupy.int8), (product != whole.astype(cupy.float32)).sum()

    def finish(self) -> None:
        self._mark.record()
        while not self._mark.done:
            pass


LIBRARIES = ("torch", "cupy")
"""In the order in which they are tried."""


def library(wanted: str | None, *, tensor: bool) -> Library:
    """The library that was asked for, or the first that is installed. Raises WorkloadError."""
    os.environ["CUPY_TF32"] = "1" if tensor else "0"  # read when cupy makes its first product
    trouble = []
    for name in [wanted] if wanted else LIBRARIES:
        try:
            module = import_module(name)
        except ImportError as error:
            trouble.append(f"{name}: {error}")
        else:
            return Torch(module, tensor=tensor) if name == "torch" else Cupy(module)
    raise WorkloadError(f"no array library: {'; '.join(trouble)}", hint="pip install torch, or cupy, beside soakd")
