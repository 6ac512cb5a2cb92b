"""Settings and maps of invented sites: 19 channels each, two mains and seventeen circuits."""

from pathlib import Path

CHANNELS = [f"c{number:02}" for number in range(1, 20)]
END_USES = ["heating", "hot water", "cooking", "laundry", "refrigeration", "plug loads", "lighting", "other"]


def site(number, kind):
    name = f"s{number:04}"
    if kind == "plain":
        source = f'topic = "bench/{name}/ct/{{channel}}"'
    else:
        source = f'topic = "bench/{name}/all"\npayload = {{ pointer = "/channels/{{channel}}", time = "/ts" }}'
    channels = ", ".join(f'"{channel}"' for channel in CHANNELS)
    text = f"""site = "{name}"
name = "Invented site {number}"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"
main_breaker_a = 200

[[device]]
id = "meter"
{source}
channels = [{channels}]
unit = "W"
reading = "mean"
every_s = 1

[[feed]]
bus = "main"
channels = [{{ channel = "meter/c01", leg = "A" }}, {{ channel = "meter/c02", leg = "B" }}]
measures = "panel"
"""
    for position, channel in enumerate(CHANNELS[2:]):
        solar = position == 0
        end_use = "PV" if solar else END_USES[position % len(END_USES)]
        text += f"""
[[circuit]]
id = "circuit-{position + 1}"
label = "Circuit {position + 1}"
end_use = "{end_use}"
bus = "main"
spaces = [{position + 1}]
breaker_a = 20
channels = ["meter/{channel}"]
"""
        if solar:
            text += 'sign = "generation-positive"\n'
    return name, text


def write(directory, broker_port, web_port, kind, sites, commit_every_s):
    """Writes it all; gives the path of the settings."""
    directory = Path(directory)
    (directory / "sites").mkdir()
    for number in range(sites):
        name, text = site(number, kind)
        (directory / "sites" / f"{name}.toml").write_text(text)
    settings = directory / "panelwright.toml"
    settings.write_text(
        f"""[broker]
url = "mqtt://127.0.0.1:{broker_port}"

[store]
directory = "{directory / 'store'}"
commit_every_s = {commit_every_s}

[sites]
directory = "sites"

[publish]
homie = false                            # a bare subscriber publishes no value by value either

[web]
listen = "127.0.0.1:{web_port}"

[log]
level = "warn"
"""
    )
    return settings
