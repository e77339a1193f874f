"""Runs a hub without a screen and does what it is told, a JSON line each on standard input; answers in JSON lines.

Runs inside the root file system that tests/hub/setup makes, with the hub's own virtual environment.
"""
import asyncio, json, os, re, shutil, signal, sys, time

import aiohttp

PORT = int(sys.argv[1])
CONFIG = sys.argv[2]
BASE = f"http://127.0.0.1:{PORT}"
CLIENT = BASE + "/"
# What the hub says about what it was sent; its complaints about parts that are not installed here are not ours.
OURS = re.compile(
    r" (WARNING|ERROR|CRITICAL) .*\[homeassistant\."
    r"(components\.(mqtt|sensor|binary_sensor|button|switch|event)|helpers\.(entity|device_registry|entity_registry|template))"
)


class Socket:
    """As much of the hub's WebSocket interface as is needed."""

    def __init__(self, ws):
        self.ws, self.number, self.waiting = ws, 0, {}

    @classmethod
    async def open(cls, session, token):
        ws = await session.ws_connect(BASE + "/api/websocket", max_msg_size=0)
        await ws.receive_json()
        await ws.send_json({"type": "auth", "access_token": token})
        answer = await ws.receive_json()
        if answer["type"] != "auth_ok":
            raise RuntimeError(answer)
        self = cls(ws)
        self.reader = asyncio.create_task(self.read())
        return self

    async def read(self):
        async for message in self.ws:
            content = json.loads(message.data)
            if content["type"] == "result":
                self.waiting.pop(content["id"]).set_result(content)

    async def call(self, kind, **more):
        self.number += 1
        answer = self.waiting[self.number] = asyncio.get_running_loop().create_future()
        await self.ws.send_json({"id": self.number, "type": kind, **more})
        result = await asyncio.wait_for(answer, 20)
        if not result["success"]:
            raise RuntimeError(f"{kind}: {result['error']}")
        return result["result"]


async def post(session, path, token=None, form=None, **body):
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    content = {"data": form} if form is not None else {"json": body}
    async with session.post(BASE + path, headers=headers, **content) as answer:
        text = await answer.text()
        if answer.status >= 300:
            raise RuntimeError(f"POST {path}: {answer.status} {text}")
        return json.loads(text) if text else None


async def token_of(session, code):
    form = {"grant_type": "authorization_code", "code": code, "client_id": CLIENT}
    return (await post(session, "/auth/token", form=form))["access_token"]


async def first_user(session):
    user = await post(session, "/api/onboarding/users", name="t", username="t", password="t-pass-1", client_id=CLIENT, language="en")
    return await token_of(session, user["auth_code"])


async def login(session):
    flow = await post(session, "/auth/login_flow", client_id=CLIENT, handler=["homeassistant", None], redirect_uri=CLIENT)
    step = f"/auth/login_flow/{flow['flow_id']}"
    done = await post(session, step, client_id=CLIENT, username="t", password="t-pass-1")
    return await token_of(session, done["result"])


async def join_broker(session, token, port):
    flow = await post(session, "/api/config/config_entries/flow", token, handler="mqtt", show_advanced_options=True)
    step = f"/api/config/config_entries/flow/{flow['flow_id']}"
    if flow.get("type") == "menu":
        flow = await post(session, step, token, next_step_id="broker")
    data = {"broker": "127.0.0.1", "port": port}
    other = {"set_ca_cert": "off", "set_client_cert": False, "transport": "tcp"}
    if "other_settings" in {field["name"] for field in flow["data_schema"]}:
        data["other_settings"] = other
    done = await post(session, step, token, **data)
    if done["type"] != "create_entry":
        raise RuntimeError(f"the hub did not join the broker: {done.get('errors') or done}")


class Hub:
    def __init__(self):
        self.log, self.process, self.session, self.socket = [], None, None, None

    async def start(self, broker, keep):
        if not keep:
            shutil.rmtree(CONFIG, ignore_errors=True)
        os.makedirs(CONFIG, exist_ok=True)
        with open(CONFIG + "/configuration.yaml", "w") as file:
            file.write(f"http:\n  server_host: 127.0.0.1\n  server_port: {PORT}\nlogger:\n  default: warning\n")
        self.process = await asyncio.create_subprocess_exec(
            "/srv/hub/bin/hass", "-c", CONFIG, "--skip-pip", "--log-no-color",
            stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.STDOUT, limit=1 << 22,
        )
        self.drain = asyncio.create_task(self.read_log())
        self.session = aiohttp.ClientSession()
        for _ in range(900):
            if self.process.returncode is not None:
                raise RuntimeError("the hub ended early: " + "\n".join(self.log[-20:]))
            try:
                async with self.session.get(BASE + "/api/onboarding") as answer:
                    if answer.status in (200, 404):
                        break
            except aiohttp.ClientError:
                pass
            await asyncio.sleep(0.1)
        token = await (login(self.session) if keep else first_user(self.session))
        self.socket = await Socket.open(self.session, token)
        if not keep:
            await join_broker(self.session, token, broker)
        return {"version": (await self.socket.call("get_config"))["version"]}

    async def read_log(self):
        async for line in self.process.stdout:
            self.log.append(line.decode(errors="replace").rstrip())

    async def entities(self):
        registry = [e for e in await self.socket.call("config/entity_registry/list") if e["platform"] == "mqtt"]
        states = {s["entity_id"]: s for s in await self.socket.call("get_states")}
        devices = {d["id"]: d["name"] for d in await self.socket.call("config/device_registry/list")}
        rows = []
        for entity in registry:
            state = states.get(entity["entity_id"])
            attributes = (state or {}).get("attributes", {})
            rows.append({
                "unique_id": entity["unique_id"], "entity": entity["entity_id"], "device": devices.get(entity["device_id"]),
                "state": state["state"] if state else None, "unit": attributes.get("unit_of_measurement"),
                "device_class": attributes.get("device_class"), "state_class": attributes.get("state_class"),
                "disabled": entity["disabled_by"],
            })
        return rows

    async def press(self, unique_id):
        registry = await self.socket.call("config/entity_registry/list")
        entity = next(e["entity_id"] for e in registry if e["unique_id"] == unique_id)
        await self.socket.call("call_service", domain="button", service="press", service_data={}, target={"entity_id": entity})
        return entity

    async def complaints(self):
        issues = (await self.socket.call("repairs/list_issues"))["issues"]
        ours = [f"{i['domain']}: {i['issue_id']}" for i in issues if i["domain"] in ("mqtt", "sensor")]
        return [line for line in self.log if OURS.search(line)] + ours

    async def stop(self):
        await self.session.close()
        self.process.send_signal(signal.SIGTERM)
        try:
            await asyncio.wait_for(self.process.wait(), 30)
        except TimeoutError:
            self.process.kill()
        await self.drain
        return {"ended": self.process.returncode}


async def main():
    hub = Hub()
    loop = asyncio.get_running_loop()
    while line := await loop.run_in_executor(None, sys.stdin.readline):
        order = json.loads(line)
        try:
            answer = {"ok": await getattr(hub, order.pop("do"))(**order)}
        except Exception as error:
            answer = {"error": repr(error), "log": hub.log[-15:]}
        print(json.dumps(answer), flush=True)
    if hub.process and hub.process.returncode is None:
        await hub.stop()


asyncio.run(main())
