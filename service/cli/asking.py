"""Options made of a question's fields, so that a limit or a meaning stands in the question alone."""

from __future__ import annotations

from collections.abc import Callable
from types import NoneType, UnionType
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

import click
from annotated_types import Ge, Le
from pydantic.fields import FieldInfo

from service.cli.options import FILE, Number
from service.fit.chart import Chart
from service.questions.asked import Question, Spelled

Command = TypeVar("Command", bound=Callable[..., Any])


def options_for(question: type[Question], *names: str) -> Callable[[Command], Command]:
    """Options for these fields of a question, in this order in the help.

    Parameters
    ----------
    question : type of Question
    *names : str
        Its fields; the command receives each under its own name.
    """

    def decorate(command: Command) -> Command:
        for name in reversed(names):
            command = _option(name, question.model_fields[name])(command)
        return command

    return decorate


def _option(name: str, field: FieldInfo) -> Callable[[Command], Command]:
    spelled = next((each.option for each in field.metadata if isinstance(each, Spelled)), None)
    return click.option(
        spelled or f"--{name.replace('_', '-')}",
        name,
        help=field.description,
        **_kind(field, spelled or "", in_mm=name.endswith("_mm")),
    )


def _kind(field: FieldInfo, spelled: str, in_mm: bool) -> dict[str, Any]:
    """How click reads a field."""
    kind = _without_none(field.annotation)
    default = None if field.is_required() else field.default
    if get_origin(kind) is Literal:
        return {"type": click.Choice(get_args(kind)), "default": default}
    if kind is bool:
        if "/" in spelled:
            return {"default": default}
        return {"type": click.BOOL, "metavar": "yes|no"} if default is None else {"is_flag": True}
    if kind in (int, float):
        limits = _limit(field, Ge), _limit(field, Le)
        number: click.ParamType[Any] = click.IntRange(*limits) if kind is int else Number(*limits, in_mm=in_mm)
        return {"type": number, "default": default}
    if kind is Chart:
        return {"type": FILE}
    if get_origin(kind) is tuple:
        return {"type": FILE, "multiple": True}
    return {"type": str, "default": default}


def _without_none(annotation: Any) -> Any:
    """The type of a field without "or not said" and without what pydantic is told about it."""
    if get_origin(annotation) in (Union, UnionType):
        (annotation,) = (each for each in get_args(annotation) if each is not NoneType)
    return get_args(annotation)[0] if get_origin(annotation) is Annotated else annotation


def _limit(field: FieldInfo, kind: type[Ge | Le]) -> Any:
    return next((getattr(each, kind.__name__.lower()) for each in field.metadata if isinstance(each, kind)), None)
