"""The reference page: every field has an example, every example loads, the page is up to date."""

from __future__ import annotations

import inspect
import json
from pathlib import Path

import jsonschema
import pytest
import yaml
from pydantic import BaseModel

import bridge.rules
from bridge.commands.ready_files import ready_files
from bridge.rules import conditions, deeds, devices, schema
from bridge.rules.examples import EXAMPLES, in_file
from bridge.rules.loader import load
from bridge.rules.reference import reference
from bridge.rules.strict import Strict


class Core(yaml.SafeLoader):
    """Reads as YAML 1.2 and its editors do: `no` and `on` are words."""


Core.yaml_implicit_resolvers = {
    letter: [(tag, pattern) for tag, pattern in pairs if tag != "tag:yaml.org,2002:bool" or letter in "tfTF"]
    for letter, pairs in yaml.SafeLoader.yaml_implicit_resolvers.items()
}
RUNS = [(slot, example) for slot, examples in EXAMPLES.values() for example in examples]


@pytest.mark.parametrize(("slot", "example"), RUNS, ids=[example[:60] for _, example in RUNS])
def test_every_example_loads(slot: str, example: str) -> None:
    load(in_file(slot, example), "example")


def keys_in(tree: object) -> set[str]:
    if isinstance(tree, dict):
        return set(map(str, tree)) | {key for value in tree.values() for key in keys_in(value)}
    return {key for value in tree for key in keys_in(value)} if isinstance(tree, list) else set()


@pytest.mark.parametrize("model", EXAMPLES, ids=lambda model: model.__name__)
def test_every_field_has_an_example(model: type[BaseModel]) -> None:
    slot, examples = EXAMPLES[model]
    used = {key for example in examples for key in keys_in(yaml.load(in_file(slot, example), Core))}
    assert {field.alias or name for name, field in model.model_fields.items()} <= used


def test_every_model_is_on_the_page() -> None:
    models = {
        item
        for module in (schema, devices, conditions, deeds)
        for item in vars(module).values()
        if inspect.isclass(item) and issubclass(item, Strict) and item.__module__ == module.__name__
    }
    bases = {"_Source", "_Output", "_Keyed", "EventFilter"}
    assert {model.__name__ for model in models} - bases == {model.__name__ for model in EXAMPLES}


def test_the_page_is_up_to_date() -> None:
    """Renew it with: biosignal-bridge rules reference > bridge/rules/REFERENCE.md"""
    page = Path(bridge.rules.__file__).with_name("REFERENCE.md")
    assert page.read_text(encoding="utf-8") == reference()


def test_the_json_schema_takes_what_the_loader_takes() -> None:
    """By a validator of another hand (jsonschema), on the ready files and the examples; and it refuses nonsense."""
    rules = json.loads(json.dumps(schema.RuleFile.model_json_schema(by_alias=True)))
    validator = jsonschema.Draft202012Validator(rules)
    jsonschema.Draft202012Validator.check_schema(rules)
    for path in ready_files().values():
        assert [error.message for error in validator.iter_errors(yaml.load(path.read_text(), Core))] == []
    for slot, example in RUNS:
        errors = [error.message for error in validator.iter_errors(yaml.load(in_file(slot, example), Core))]
        assert errors == [], example
    for wrong in ({"version": 2}, {"version": 1, "ruls": []}, {"version": 1, "rules": [{"name": "A"}]}):
        assert list(validator.iter_errors(wrong))
