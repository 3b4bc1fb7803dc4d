"""Where does a constant of the package, or an expression, have an effect?"""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

Lines = dict[str, set[int]]
_HEADED = (ast.If, ast.While, ast.For, ast.With, ast.Try, ast.Match)


class Places:
    """Lines of a package by the names that they use.

    Parameters
    ----------
    package : Path
        Folder of the package.
    """

    def __init__(self, package: Path) -> None:
        self.root = package.parent
        self._trees = {path: ast.parse(path.read_bytes()) for path in sorted(package.rglob("*.py"))}
        self._names: dict[str, list[tuple[Path, ast.AST]]] = defaultdict(list)
        self._imports: dict[Path, set[str]] = defaultdict(set)
        for path, tree in self._trees.items():
            for node in ast.walk(tree):
                for child in ast.iter_child_nodes(node):
                    child.above = node
                if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load):
                    self._names[node.id].append((path, node))
                elif isinstance(node, ast.Attribute):
                    self._names[node.attr].append((path, node))
                elif isinstance(node, ast.ImportFrom):
                    self._imports[path] |= {alias.name for alias in node.names}

    def of(self, path: Path, node: ast.AST, constant: str | None) -> tuple[Lines, set[str]]:
        """Return the lines where a change of `node` has an effect, by file below the root, and the names it goes by.

        Of a constant these are the statements that use it, also by way of another constant or another module;
        of an expression its own statement.
        """
        found: Lines = defaultdict(set)
        seen: set[tuple[Path, str]] = set()
        if constant is None:
            same = next(
                one
                for one in ast.walk(self._trees[path])
                if type(one) is type(node)
                and (one.lineno, one.col_offset) == (node.lineno, node.col_offset)
                and ast.dump(one) == ast.dump(node)
            )
            self._add(path, same, found, seen)
        else:
            self._uses(path, constant, found, seen)
        return dict(found), {name for _, name in seen}

    def _uses(self, path: Path, name: str, found: Lines, seen: set[tuple[Path, str]]) -> None:
        if (path, name) in seen:
            return
        seen.add((path, name))
        for other, node in self._names[name]:
            if other == path or name in self._imports[other] or isinstance(node, ast.Attribute):
                self._add(other, node, found, seen)

    def _add(self, path: Path, node: ast.AST, found: Lines, seen: set[tuple[Path, str]]) -> None:
        """Add the lines of the statement around `node`; what is run on import counts where it is used."""
        statement, inside = self._statement(node)
        here = path.relative_to(self.root).as_posix()
        around = next(_above(statement), None)
        while around is not None and not isinstance(
            around, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.Lambda | ast.Module
        ):
            around = around.above
        if isinstance(statement, ast.FunctionDef | ast.ClassDef):  # a default, a decorator, a base
            found[here] |= set(range(statement.lineno, statement.end_lineno + 1))
            self._uses(path, statement.name, found, seen)
        elif isinstance(around, ast.FunctionDef | ast.AsyncFunctionDef):
            found[here] |= set(range(statement.lineno, _end(statement, inside) + 1))
        elif isinstance(around, ast.ClassDef):
            found[here] |= set(range(around.lineno, around.end_lineno + 1))
            self._uses(path, around.name, found, seen)
        else:
            for target in ast.walk(statement):
                if isinstance(target, ast.Name) and isinstance(target.ctx, ast.Store):
                    self._uses(path, target.id, found, seen)

    def _statement(self, node: ast.AST) -> tuple[ast.stmt, ast.AST]:
        inside = node
        while not isinstance(node, ast.stmt):
            inside, node = node, node.above
        return node, inside


def _above(node: ast.AST) -> Iterator[ast.AST]:
    while hasattr(node, "above"):
        node = node.above
        yield node


def _end(statement: ast.stmt, inside: ast.AST) -> int:
    """Return the last line of a statement, of one with a body that of its head."""
    return (
        getattr(inside, "end_lineno", statement.lineno)
        if isinstance(statement, _HEADED)
        else statement.end_lineno
    )
