# ruff: noqa
"""The virtual board under CPython, with every arithmetic result of the firmware checked against 31-bit small integers.

A 64-bit MicroPython cannot see a number that would be a heap object on a board. Here each binary operation in the
firmware's source is wrapped, so that an int outside -2^30..2^30-1 ends the program. At the end standard error says how
many were looked at. With the argument `control` the line writer uses a 32-bit CRC, which must be caught.
"""

import ast
import atexit
import builtins
import importlib.abc
import importlib.util
import os
import runpy
import sys

FIRMWARE = os.environ["HOODTRACE_FIRMWARE"]
FAKE = os.environ["HOODTRACE_FAKE"]
n_checked = 0


def narrow(value, place):
    global n_checked
    if type(value) is int:
        n_checked += 1
        if not -(1 << 30) <= value < 1 << 30:
            sys.stderr.write("beyond 30 bits at %s: %d\n" % (place, value))
            os._exit(3)
    return value


class Wrap(ast.NodeTransformer):
    def __init__(self, name):
        self.name = name

    def _wrapped(self, node):
        place = ast.Constant(f"{self.name}:{node.lineno}")
        return ast.copy_location(ast.Call(ast.Name("__narrow__", ast.Load()), [node, place], []), node)

    def visit_BinOp(self, node):
        return self._wrapped(self.generic_visit(node))

    def visit_UnaryOp(self, node):
        return self._wrapped(self.generic_visit(node))

    def visit_AugAssign(self, node):
        self.generic_visit(node)
        source = ast.parse(ast.unparse(node.target), mode="eval").body
        value = ast.copy_location(ast.BinOp(source, node.op, node.value), node)
        ast.fix_missing_locations(value)
        return ast.copy_location(ast.Assign([node.target], self._wrapped(value)), node)


class Finder(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    def find_spec(self, name, path, target=None):
        if os.path.exists(f"{FIRMWARE}/{name}.py"):
            return importlib.util.spec_from_loader(name, self)
        return None

    def exec_module(self, module):
        name = module.__name__
        with open(f"{FIRMWARE}/{name}.py") as file:
            text = file.read()
        if name == "core" and "control" in sys.argv:
            text += (
                "\nimport binascii\n"
                "def crc_into(out, at, data, start, stop):\n"
                "    c = binascii.crc32(data[start:stop]) + 0\n"
                "    hex_into(out, at, c, 8)\n"
            )
        module.__file__ = f"{FIRMWARE}/{name}.py"
        tree = ast.fix_missing_locations(Wrap(name).visit(ast.parse(text)))
        exec(compile(tree, f"{name}.py", "exec"), module.__dict__)


builtins.__narrow__ = narrow
atexit.register(lambda: sys.stderr.write("checked %d\n" % n_checked))
sys.meta_path.insert(0, Finder())
sys.path.insert(0, FAKE)  # the shim takes it away again
runpy.run_path(FAKE + "/shim.py")
