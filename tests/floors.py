"""The contract type `only` of the import rules: what a module may import, beside the standard library.

The linter's own `forbidden` names what must not be imported, and so lets through whatever nobody thought of.
"""

import sys
from typing import cast

from grimp import ImportGraph
from importlinter import Contract, ContractCheck, fields, output


def _within(module: str, packages: list[str]) -> bool:
    return any(module == package or module.startswith(f"{package}.") for package in packages)


class Only(Contract):
    """Modules in `sources` import the standard library and what `allowed` names (with all inside it), nothing else.

    A source that does not exist is an error: the rule would guard nothing.
    """

    sources = fields.ListField(subfield=fields.StringField())
    allowed = fields.ListField(subfield=fields.StringField())

    def check(self, graph: ImportGraph, verbose: bool) -> ContractCheck:  # noqa: ARG002, FBT001 - the linter's signature
        """Compare every direct import with the list; keeps the contract when none is left over."""
        sources, allowed = cast("list[str]", self.sources), cast("list[str]", self.allowed)
        missing = [source for source in sources if source not in graph.modules]
        if missing:
            message = f"the import rule {self.name!r} names modules that do not exist: {', '.join(missing)}"
            raise ValueError(message)
        trespasses = sorted(
            (importer, imported)
            for importer in graph.modules
            if _within(importer, sources)
            for imported in graph.find_modules_directly_imported_by(importer)
            if imported.partition(".")[0] not in sys.stdlib_module_names and not _within(imported, allowed)
        )
        return ContractCheck(kept=not trespasses, metadata={"trespasses": trespasses})

    def render_broken_contract(self, check: ContractCheck) -> None:
        """Print each import that is not on the list."""
        for importer, imported in check.metadata["trespasses"]:
            output.print_error(f"- {importer} -> {imported}")
