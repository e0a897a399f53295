"""The script that an engineer would write instead: paho-mqtt and sqlite3, one row and one commit for each message, and the
acknowledgement after it.  plain.py PORT MESSAGES TABLE.db READY  prints messages per second from the first to the last."""

import json
import pathlib
import sqlite3
import sys
import time

import paho.mqtt.client as mqtt

port, messages, table, ready = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3], pathlib.Path(sys.argv[4])
rows = sqlite3.connect(table)
rows.execute("PRAGMA journal_mode = WAL")
rows.execute("PRAGMA synchronous = FULL")
rows.execute("CREATE TABLE readings (topic TEXT, at REAL, value REAL)")
count, begun = 0, 0.0


def readings(topic, payload):
    """Topic, time and value of each reading. What is no text is kept as it came: an engineer would need a library here."""
    try:
        said = json.loads(payload)
    except ValueError:
        return [(topic, time.time(), payload)]
    if not isinstance(said, dict):
        return [(topic, time.time(), said)]
    return [(topic, each["t"], each["v"]) for each in said.get("r", [said])]


def took(client, _, message):
    global count, begun
    if count == 0:
        begun = time.perf_counter()
    with rows:
        rows.executemany("INSERT INTO readings VALUES (?, ?, ?)", readings(message.topic, message.payload))
    client.ack(message.mid, message.qos)
    count += 1
    if count == messages:
        print(messages / (time.perf_counter() - begun), flush=True)
        client.disconnect()


client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="plain", clean_session=False, manual_ack=True)
client.on_connect = lambda client, *_: client.subscribe("#", qos=1)
client.on_subscribe = lambda *_: ready.touch()
client.on_message = took
client.connect("127.0.0.1", port)
client.loop_forever()
