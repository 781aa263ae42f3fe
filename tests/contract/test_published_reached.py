"""What tests/published checks is what a command runs: each function that it names is reached from `gonogo`."""

from __future__ import annotations

import ast
from pathlib import Path
from textwrap import dedent

import pytest
from call_graph import CallGraph

import gonogo

PACKAGE = Path(gonogo.__file__).parent
PUBLISHED = Path(__file__).parents[1] / "published"
GRAPH = CallGraph(("gonogo", PACKAGE), ("published", PUBLISHED))
REACHED = GRAPH.reached(GRAPH.commands())


def named_by(graph: CallGraph, module_name: str, *parts: ast.AST) -> set[str]:
    """Return the nodes of the package that pieces of a test name, by themselves or through functions beside them."""
    found: set[str] = set()
    waiting = list(graph.uses_in(module_name, *parts).nodes)
    while waiting:
        node = waiting.pop()
        if node not in found:
            found.add(node)
            if node.startswith("published."):
                waiting += graph.uses_of(node).nodes
    return {node for node in found if not node.startswith("published.")}


def runners(graph: CallGraph) -> dict[str, set[str]]:
    """Return what each runner of a kind of case names: functions under `@kind`, and the values of a table KINDS."""
    found = {}
    for module in graph.modules.values():
        if not module.name.startswith("published."):
            continue
        for name, (definition, *_) in module.nodes.items():
            if isinstance(definition, ast.FunctionDef) and any(
                isinstance(d, ast.Name) and d.id == "kind" for d in definition.decorator_list
            ):
                found[f"{module.name}: {name}"] = named_by(graph, module.name, *definition.body)
            if name == "KINDS" and isinstance(definition, ast.AnnAssign) and isinstance(definition.value, ast.Dict):
                for key, value in zip(definition.value.keys, definition.value.values, strict=True):
                    assert isinstance(key, ast.Constant)
                    found[f"{module.name}: {key.value}"] = named_by(graph, module.name, value)
    return found


def unreached(graph: CallGraph) -> set[str]:
    """Return the nodes of the package that tests/published names and no command reaches."""
    named = {
        node
        for module in graph.modules.values()
        if module.name.startswith("published.")
        for definitions in module.nodes.values()
        for node in named_by(graph, module.name, *definitions)
    }
    return named - graph.reached(graph.commands())


def test_each_function_that_a_published_check_names_is_run_by_a_command() -> None:
    assert not unreached(GRAPH)


@pytest.mark.parametrize("named", [pytest.param(named, id=runner) for runner, named in runners(GRAPH).items()])
def test_each_published_check_runs_something_of_the_package(named: set[str]) -> None:
    factors = {node for node in named if node.startswith("gonogo.units:") and node.rpartition(":")[2].isupper()}
    assert (named & REACHED) - factors


def test_enough_was_found_to_mean_anything() -> None:
    assert len(GRAPH.commands()) >= 20
    assert "gonogo.soil.bare_soil:evaporation_mm" in REACHED
    assert len({node for named in runners(GRAPH).values() for node in named}) >= 50
    assert len(runners(GRAPH)) >= 45


FILES = {
    "gonogo/__init__.py": "",
    "gonogo/__main__.py": """
        def main():
            from gonogo import cli
            cli.run()
    """,
    "gonogo/cli.py": """
        import typer
        from gonogo.soil import shown as show

        app = typer.Typer()

        def run():
            app()

        @app.command()
        def demo():
            from gonogo import model as deciding
            deciding.Model().step(show)
    """,
    "gonogo/soil/__init__.py": "from gonogo.soil.formulas import shown",
    "gonogo/soil/formulas.py": """
        def shown(): ...
        def in_a_table(): ...
        def called_by_a_method(): ...
        def called_by_an_idle_method(): ...
        def only_by_itself():
            return only_by_itself()
        def only_a_local_name(): ...
        def only_in_an_annotation(): ...
        def of_no_one(): ...
    """,
    "gonogo/model.py": """
        from gonogo.soil import formulas
        from gonogo.soil.formulas import only_a_local_name, only_in_an_annotation

        TABLE = {"row": formulas.in_a_table}

        class Model:
            def step(self, only_a_local_name) -> only_in_an_annotation:
                formulas.called_by_a_method(TABLE, only_a_local_name)

            def idle(self):
                formulas.called_by_an_idle_method()
    """,
    "published/test_formulas.py": """
        from gonogo.soil import formulas, shown

        def kind(function): ...

        @kind
        def everything():
            return helper() + sum(
                (shown(), formulas.in_a_table(), formulas.called_by_a_method(), formulas.called_by_an_idle_method())
            )

        def helper():
            return formulas.only_by_itself(), formulas.only_a_local_name(), formulas.only_in_an_annotation()

        @kind
        def its_own_sum():
            return 2 + 2

        KINDS: dict = {"row": lambda i: formulas.of_no_one(i)}
    """,
}


def test_a_function_that_no_command_reaches_is_found(tmp_path: Path) -> None:
    for name, text in FILES.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(dedent(text), encoding="utf-8")
    graph = CallGraph(("gonogo", tmp_path / "gonogo"), ("published", tmp_path / "published"))
    assert {node.partition(":")[2] for node in unreached(graph)} == {
        "called_by_an_idle_method",
        "only_by_itself",
        "only_a_local_name",
        "only_in_an_annotation",
        "of_no_one",
    }
    assert runners(graph)["published.test_formulas: its_own_sum"] == set()
    # One call in a command is enough, and one is needed.
    cli = tmp_path / "gonogo" / "cli.py"
    cli.write_text(cli.read_text(encoding="utf-8") + "    deciding.formulas.of_no_one()\n", encoding="utf-8")
    graph = CallGraph(("gonogo", tmp_path / "gonogo"), ("published", tmp_path / "published"))
    assert "gonogo.soil.formulas:of_no_one" not in unreached(graph)
