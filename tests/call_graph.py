"""Which functions and constants of a package something reaches, read from its source without running it.

A node is a function, a class, a method or a constant at the top of a module; an edge says that the body of one names
the other. Names are followed through imports, also through those inside functions. A method counts as reached where its
class is and where anything reached asks some object for an attribute of that name: which object, source does not tell.
Annotations of functions name, but do not call; they are left out.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

ASKED_FOR = {"property", "staticmethod", "classmethod", "cached_property"}  # decorators that call nothing by themselves
Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(slots=True)
class Module:
    """One source file: its nodes by name, and what its imports make each name stand for."""

    name: str
    is_package: bool
    nodes: dict[str, list[ast.AST]] = field(default_factory=dict)
    imports: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class Uses:
    """What a piece of source names: nodes as "module:name", modules, and attributes of objects unknown."""

    nodes: set[str] = field(default_factory=set)
    attributes: set[str] = field(default_factory=set)


class CallGraph:
    """The modules of one or more source folders, each under the dotted name that it is imported by."""

    def __init__(self, *folders: tuple[str, Path]) -> None:
        self.modules: dict[str, Module] = {}
        for name, folder in folders:
            for path in sorted(folder.rglob("*.py")):
                parts = path.relative_to(folder).with_suffix("").parts
                is_package = parts[-1] == "__init__"
                dotted = ".".join((name, *(parts[:-1] if is_package else parts)))
                module = Module(dotted, is_package)
                self.modules[dotted] = module
                _collect(module, ast.parse(path.read_text(encoding="utf-8")))

    def commands(self) -> set[str]:
        """Return the functions that a command line calls: what is decorated by `.command` or `.callback`, and main."""
        found = set()
        for module in self.modules.values():
            for name, (first, *_) in module.nodes.items():
                if isinstance(first, Function) and any(_is_command(d) for d in first.decorator_list):
                    found.add(f"{module.name}:{name}")
            if module.name.endswith(".__main__"):
                found.add(f"{module.name}:main")
        return found

    def reached(self, roots: Iterable[str]) -> set[str]:
        """Return every node that the roots reach, themselves among them."""
        found: set[str] = set()
        attributes: set[str] = set()
        waiting = list(roots)
        while waiting:
            while waiting:
                node = waiting.pop()
                if node in found:
                    continue
                found.add(node)
                uses = self.uses_of(node)
                attributes |= uses.attributes
                waiting += uses.nodes
            waiting += [m for node in found for m in self._methods(node, attributes) if m not in found]
        return found

    def uses_of(self, node: str) -> Uses:
        """Return what the definition of a node names."""
        module_name, _, name = node.partition(":")
        return self.uses_in(module_name, *self._names(node).get(name, ()))

    def uses_in(self, module_name: str, *parts: ast.AST) -> Uses:
        """Return what pieces of a module's source name."""
        module, uses = self.modules[module_name], Uses()
        for part in parts:
            _Reader(self, module, uses).visit(part)
        if "pkgutil.iter_modules" in uses.nodes and module.is_package:  # a package that finds its own modules
            inside = [m for m in self.modules.values() if m.name.startswith(f"{module.name}.")]
            uses.nodes |= {f"{m.name}:{n}" for m in inside for n, (d, *_) in m.nodes.items() if _is_constant(d)}
        uses.nodes = {n for n in uses.nodes if ":" in n and n.partition(":")[2] in self._names(n)}
        return uses

    def resolved(self, module: Module, name: str) -> str | None:
        """Return what a name at the top of a module stands for: "module:name", a module, or None."""
        if name in module.nodes:
            return f"{module.name}:{name}"
        return self.target(module.imports[name]) if name in module.imports else None

    def target(self, dotted: str) -> str:
        """Return the node or module that a dotted import path leads to; as it stands where it leads out of here."""
        parent, _, name = dotted.rpartition(".")
        inside = self.modules.get(parent)
        if inside is not None and inside.imports.get(name) != dotted:  # what a package imports hides its own modules
            return self.resolved(inside, name) or dotted
        return dotted

    def _names(self, node: str) -> dict[str, list[ast.AST]]:
        module = self.modules.get(node.partition(":")[0])
        return module.nodes if module else {}

    def _methods(self, node: str, attributes: set[str]) -> Iterator[str]:
        """Yield the methods of a reached class that something asks for, or that Python or a decorator calls."""
        for name, (definition, *_) in self._names(node).items():
            owner, _, method = name.rpartition(".")
            if owner and f"{node.partition(':')[0]}:{owner}" == node and isinstance(definition, Function):
                is_called = method.startswith("__") or any(
                    not (isinstance(d, ast.Name) and d.id in ASKED_FOR) for d in definition.decorator_list
                )
                if is_called or method in attributes:
                    yield f"{node.partition(':')[0]}:{name}"


def _is_command(decorator: ast.expr) -> bool:
    """Say whether a decorator makes a function a command."""
    called = decorator.func if isinstance(decorator, ast.Call) else decorator
    return isinstance(called, ast.Attribute) and called.attr in {"command", "callback"}


def _is_constant(definition: ast.AST) -> bool:
    return isinstance(definition, ast.Assign | ast.AnnAssign)


def _collect(module: Module, tree: ast.Module) -> None:
    """Sort the statements of a module into its nodes and imports."""

    def add(name: str, definition: ast.AST) -> None:
        module.nodes.setdefault(name, []).append(definition)

    def walk(body: Iterable[ast.stmt]) -> None:
        for statement in body:
            if isinstance(statement, Function):
                add(statement.name, statement)
            elif isinstance(statement, ast.ClassDef):
                add(statement.name, statement)
                for inner in statement.body:
                    if isinstance(inner, Function):
                        add(f"{statement.name}.{inner.name}", inner)
            elif isinstance(statement, ast.Import | ast.ImportFrom):
                module.imports |= _imported(module, statement)
            elif isinstance(statement, ast.Assign | ast.AnnAssign | ast.AugAssign):
                for target in statement.targets if isinstance(statement, ast.Assign) else [statement.target]:
                    for part in ast.walk(target):
                        if isinstance(part, ast.Name):  # also the table that an item is put into
                            add(part.id, statement)
            elif isinstance(statement, ast.If | ast.Try | ast.With | ast.For):
                walk(s for s in ast.iter_child_nodes(statement) if isinstance(s, ast.stmt))

    walk(tree.body)


def _imported(module: Module, statement: ast.Import | ast.ImportFrom) -> dict[str, str]:
    """Return what an import makes names stand for, as dotted paths."""
    if isinstance(statement, ast.Import):
        return {a.asname or a.name.partition(".")[0]: a.name if a.asname else a.name.partition(".")[0]
                for a in statement.names}  # fmt: skip
    start = statement.module or ""
    if statement.level:
        home = module.name.split(".")
        home = home[: len(home) - statement.level + module.is_package]
        start = ".".join([*home, *([statement.module] if statement.module else [])])
    return {a.asname or a.name: f"{start}.{a.name}" for a in statement.names}


class _Reader(ast.NodeVisitor):
    """Reads one definition: which names in it lead where."""

    def __init__(self, graph: CallGraph, module: Module, uses: Uses) -> None:
        self.graph, self.module, self.uses = graph, module, uses
        self.local: list[dict[str, str | None]] = []  # names of each function around: imported, or its own

    def visit_ClassDef(self, node: ast.ClassDef) -> None:
        for part in (*node.decorator_list, *node.bases, *(k.value for k in node.keywords)):
            self.visit(part)
        for statement in node.body:  # methods are nodes of their own
            if not isinstance(statement, Function):
                self.visit(statement)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
        self._function(node, node.body)

    def visit_AsyncFunctionDef(self, node: ast.AsyncFunctionDef) -> None:
        self._function(node, node.body)

    def visit_Lambda(self, node: ast.Lambda) -> None:
        self._function(node, [node.body])

    def _function(self, node: Function | ast.Lambda, body: Iterable[ast.AST]) -> None:
        for part in (*getattr(node, "decorator_list", ()), *node.args.defaults, *node.args.kw_defaults):
            if part is not None:
                self.visit(part)
        every = (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs, node.args.vararg, node.args.kwarg)
        names: dict[str, str | None] = {a.arg: None for a in every if a is not None}
        for inner in (part for statement in body for part in _own_parts(statement)):
            if isinstance(inner, ast.Import | ast.ImportFrom):
                names |= _imported(self.module, inner)
            elif isinstance(inner, ast.Name) and isinstance(inner.ctx, ast.Store):
                names.setdefault(inner.id, None)
        self.local.append(names)
        for statement in body:
            self.visit(statement)
        self.local.pop()

    def visit_AnnAssign(self, node: ast.AnnAssign) -> None:
        if node.value is not None:
            self.visit(node.value)
        if not self.local:  # of a class or module: libraries read it and call what it names
            self.visit(node.annotation)

    def visit_Name(self, node: ast.Name) -> None:
        if isinstance(node.ctx, ast.Load):
            self._add(self._led(node))

    def visit_Attribute(self, node: ast.Attribute) -> None:
        led = self._led(node)
        if led is None:
            self.uses.attributes.add(node.attr)
            self.visit(node.value)
        else:
            self._add(led)

    def _add(self, led: str | None) -> None:
        if led is not None:
            self.uses.nodes.add(led)

    def _led(self, node: ast.expr) -> str | None:
        """Return where a name or a dotted chain of names leads, or None."""
        if isinstance(node, ast.Name):
            for names in reversed(self.local):
                if node.id in names:
                    imported = names[node.id]
                    return None if imported is None else self.graph.target(imported)
            return self.graph.resolved(self.module, node.id)
        if isinstance(node, ast.Attribute):
            start = self._led(node.value)
            if start is None or ":" in start:
                if start is not None and f"{start}.{node.attr}".partition(":")[2] in self.graph._names(start):
                    self._add(start)
                    return f"{start}.{node.attr}"
                return None
            return self.graph.target(f"{start}.{node.attr}")
        return None


def _own_parts(statement: ast.AST) -> Iterator[ast.AST]:
    """Yield the parts of a statement that belong to its own function and not to one inside it."""
    yield statement
    if isinstance(statement, Function | ast.Lambda | ast.ClassDef):
        return
    for child in ast.iter_child_nodes(statement):
        yield from _own_parts(child)
