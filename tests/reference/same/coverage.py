"""What the deliveries have brought about: which findings, settings and verbs. Compares nothing."""

import json
import os
import tomllib


#: Stages whose settings all stems share: the schema has tables for chosen stems, the recipe reader refuses them.
SHARED = ("align-starts", "label")


class Coverage:
    """Gathers from the outputs of one program."""

    def __init__(self, checkout, schema):
        with open(os.path.join(checkout, "tests", "data", "manifest.schema.json"), encoding="utf-8") as file:
            ids = json.load(file)["$defs"]["Id"]["oneOf"]
        self.ids = {one["const"] for one in ids}
        self.settings = settings_of(schema)
        self.found, self.set, self.verbs, self.reasons = set(), set(), set(), set()

    def look(self, side):
        """Reads what a side has left behind."""
        self.verbs |= side.verbs
        for folder, _, names in os.walk(side.root):
            for name in names:
                path = os.path.join(folder, name)
                if name == "manifest.json":
                    self.manifest(path)
                elif name == "recipe.toml":
                    self.recipe(path)

    def manifest(self, path):
        """Findings, and why stages left stems alone."""
        try:
            with open(path, encoding="utf-8") as file:
                manifest = json.load(file)
        except ValueError:
            return
        stems = manifest.get("stems", [])
        for finding in sum([stem["findings"] for stem in stems], manifest.get("findings", [])):
            self.found.add(finding["id"])
        for stem in stems:
            self.reasons |= {(stage, why) for stage, why in (stem.get("left") or {}).items()}

    def recipe(self, path):
        """Settings with their values."""
        with open(path, "rb") as file:
            recipe = tomllib.load(file)
        for stage in recipe["stage"]:
            for table in [stage, *stage.get("for", [])]:
                for setting, value in table.items():
                    self.set.add((stage["stage"], setting))
                    self.set.add((stage["stage"], setting, json.dumps(value)))

    def lines(self):
        """The report."""
        yield f"findings: {len(self.found & self.ids)} of {len(self.ids)} kinds; never {list_of(self.ids - self.found)}"
        yield f"settings: {len(self.settings & self.set)} of {len(self.settings)} names and values; never " + list_of(
            " ".join(one) for one in self.settings - self.set)
        yield f"reasons to leave a stem alone: {len(self.reasons)} different ones"
        yield f"verbs: {list_of(self.verbs)}"


def settings_of(schema):
    """Every setting, and every named value of those that have names."""
    found = set()
    for stage in schema["properties"]["stage"]["items"]["oneOf"]:
        name = stage["properties"]["stage"]["const"]
        for setting, about in stage["properties"].items():
            if setting == "stage" or (setting == "for" and name in SHARED):
                continue
            found.add((name, setting))
            if about.get("type") == "boolean":
                found |= {(name, setting, "true"), (name, setting, "false")}
            named = schema["$defs"].get(about.get("$ref", "/").rsplit("/", 1)[1].replace("%20", " "), {})
            found |= {(name, setting, json.dumps(one["const"])) for one in named.get("oneOf", [])}
    return found


def list_of(names):
    """Names in order, or a word where there are none."""
    return ", ".join(sorted(filter(None, names))) or "none"
