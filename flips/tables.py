"""Creating many tables in one go, for the first migration."""

from __future__ import annotations

from collections.abc import Sequence

from django.db.backends.base.schema import BaseDatabaseSchemaEditor
from django.db.migrations.operations import CreateModel, SeparateDatabaseAndState
from django.db.migrations.state import ProjectState


class CreateTogether(SeparateDatabaseAndState):
    """Creates tables one after another, but works their models out only once.

    Django renders every related model anew after each table, which for a hundred tables takes many times longer than
    making them. Here the state is told of all of them first, unrendered.
    """

    def __init__(self, operations: Sequence[CreateModel]) -> None:
        super().__init__(database_operations=list(operations), state_operations=list(operations))

    def state_forwards(self, app_label: str, state: ProjectState) -> None:
        state.__dict__.pop("apps", None)
        super().state_forwards(app_label, state)

    def database_forwards(
        self,
        app_label: str,
        schema_editor: BaseDatabaseSchemaEditor,
        from_state: ProjectState,
        to_state: ProjectState,
    ) -> None:
        for operation in self.database_operations:
            operation.database_forwards(app_label, schema_editor, from_state, to_state)
