"""Prints what each zone does, and each change of it: python states.py 127.0.0.1 1883 zoneledger/v1"""

import asyncio
import json
import sys

import aiomqtt

host, port, root = sys.argv[1:]


async def follow() -> None:
    async with aiomqtt.Client(host, int(port)) as broker:
        await broker.subscribe(f"{root}/link", qos=1)
        await broker.subscribe(f"{root}/+/+/+/+/state", qos=1)  # site, line, cell, zone
        async for message in broker.messages:
            if not message.payload:
                print(message.topic, "has left the plant model", flush=True)
                continue
            told = json.loads(message.payload)
            if "link" in told:
                print("the service is", told["link"], flush=True)
            else:
                print(told["unit"], told["state"], told["reason"], flush=True)


async def main() -> None:
    while True:
        try:
            await follow()
        except aiomqtt.MqttError as error:
            print("no connection to the broker:", error, flush=True)
        await asyncio.sleep(2)


asyncio.run(main())
