// A Modbus server of another make (npm package modbus-serial) in front of the simulated plant: the frames, checks and
// exceptions are the package's, the values come over a second connection, one JSON line for each request.
// node modbus_serial_server.js PLANT_PORT (TCP_PORT | SERIAL_PORT)
"use strict";
const net = require("net");
const { ServerTCP, ServerSerial } = require("modbus-serial");

const waiting = [];
const plant = net.connect(Number(process.argv[2]), "127.0.0.1");
let kept = "";
plant.setNoDelay(true);
plant.on("data", (data) => {
    const lines = (kept + data).split("\n");
    kept = lines.pop();
    for (const line of lines) waiting.shift()(JSON.parse(line));
});
plant.on("close", () => process.exit(0));

function ask(table, unit, address, values, count, done) {
    waiting.push((answer) => answer === null ? done({ modbusErrorCode: 2 }) : done(null, answer));
    plant.write(JSON.stringify([table, unit, address, count, values]) + "\n");
}

const many = (table) => (address, count, unit, done) => ask(table, unit, address, null, count, done);
const one = (table) => (address, unit, done) =>
    ask(table, unit, address, null, 1, (error, values) => done(error, values && values[0]));
const vector = {
    getCoil: one("coil"),
    getDiscreteInput: one("discrete"),
    getInputRegister: one("input"),
    getHoldingRegister: one("holding"),
    getMultipleInputRegisters: many("input"),
    getMultipleHoldingRegisters: many("holding"),
    setCoil: (address, on, unit, done) => ask("coil", unit, address, [on ? 1 : 0], 1, (error) => done(error)),
    setRegister: (address, value, unit, done) => ask("holding", unit, address, [value], 1, (error) => done(error)),
    setRegisterArray: (address, values, unit, done) =>
        ask("holding", unit, address, Array.from(values), values.length, (error) => done(error)),
};

plant.on("connect", () => {
    if (isNaN(process.argv[3])) {
        const options = { port: process.argv[3], baudRate: 115200, unitID: 255, debug: false };
        const serial = new ServerSerial(vector, options, { path: process.argv[3], baudRate: 115200 });
        serial.on("initialized", () => console.log("ready"));
        serial.on("error", (error) => { console.error(error); process.exit(1); });
        return;
    }
    const server = new ServerTCP(vector, { host: "127.0.0.1", port: Number(process.argv[3]), unitID: 255 });
    server.on("serverError", (error) => { console.error(error); process.exit(1); });
    server.on("initialized", () => console.log("ready"));
});
