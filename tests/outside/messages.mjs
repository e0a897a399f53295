// Messages of plants, made by libraries that others wrote: sparkplug-payload for Sparkplug B, node-opcua-json for the
// fields of OPC UA PubSub. One a line: topic, then the payload in base64. What they say stands in
// services/collector/tests/formats.rs.

import { DataValue } from "node-opcua-data-value";
import { JsonEncodingScheme, opcuaJsonEncodeDataValue, opcuaJsonEncodeVariant } from "node-opcua-json";
import { StatusCodes } from "node-opcua-status-code";
import { DataType, Variant, VariantArrayType } from "node-opcua-variant";
import sparkplugPayload from "sparkplug-payload";

const sparkplug = sparkplugPayload.get("spBv1.0");
// 2026-03-31T06:30:00.250Z
const AT = 1774938600250;

function print(topic, bytes) {
  console.log(`${topic} ${Buffer.from(bytes).toString("base64")}`);
}

let seq = 0;

function spark(topic, metrics, sent = AT + 1000) {
  print(`spBv1.0/mill/${topic}`, sparkplug.encodePayload({ timestamp: sent, metrics, seq }));
  seq = (seq + 1) % 256;
}

// Each type under the name of a unit: the value goes with the type of the birth, data brings the alias alone.
const TYPES = [
  ["I8", "Int8", -5, -6],
  ["I16", "Int16", -500, -501],
  ["I32", "Int32", -900, -901],
  ["I64", "Int64", -950, -951],
  ["U8", "UInt8", 200, 201],
  ["U16", "UInt16", 3000, 3001],
  ["U32", "UInt32", 3000, 3001],
  ["U64", "UInt64", 3000, 3001],
  ["F", "Float", 95.3, 95.4],
  ["D", "Double", 95.3, 95.4],
  ["S", "String", "95.3", "95.4"],
];
spark("NBIRTH/line1", [{ name: "bdSeq", type: "UInt64", value: 4 }]);
spark(
  "DBIRTH/line1/types",
  TYPES.map(([unit, type, born], alias) => ({ name: `${unit}/Torque`, alias, type, value: born, timestamp: AT })),
);
spark(
  "DDATA/line1/types",
  TYPES.map(([, type, , later], alias) => ({ alias, type, value: later, timestamp: AT + 500 })),
);
spark("DDATA/line1/types", [
  { name: "D/Torque", type: "Double", value: null, timestamp: AT + 600 },
  { name: "F/Torque", type: "Double", value: 70.5, timestamp: AT - 86400000, isHistorical: true },
  {
    name: "U8/Torque",
    type: "Double",
    value: 71.5,
    timestamp: AT + 700,
    properties: { engUnit: { type: "String", value: "Nm" }, Quality: { type: "Int32", value: 500 } },
  },
  { name: "Mode", type: "String", value: "cip", timestamp: AT + 800 },
]);
print("spBv1.0/mill/NDEATH/line1", sparkplug.encodePayload({ metrics: [{ name: "bdSeq", type: "UInt64", value: 4 }] }));

const URIS = ["http://opcfoundation.org/UA/"];

function value(dataType, given, statusCode = StatusCodes.Good) {
  const variant = new Variant({ dataType, arrayType: VariantArrayType.Scalar, value: given });
  return new DataValue({ value: variant, statusCode, sourceTimestamp: new Date(AT), sourcePicoseconds: 0 });
}

const FIELDS = {
  D: value(DataType.Double, 95.5),
  Z: value(DataType.Double, 0),
  N: value(DataType.Double, NaN),
  I64: value(DataType.Int64, [0, 5]),
  B: value(DataType.Float, 7.5, StatusCodes.BadSensorFailure),
  U: value(DataType.Float, 7.5, StatusCodes.UncertainSensorNotAccurate),
  G: new DataValue({ statusCode: StatusCodes.BadNoCommunication, sourceTimestamp: new Date(AT) }),
};

function pubSub(scheme, form, encode) {
  const payload = {};
  for (const [unit, field] of Object.entries(FIELDS)) payload[`${unit}.Torque`] = encode(field, JsonEncodingScheme[scheme]);
  const message = {
    MessageId: "32235546-05d9-4fd7-97df-ea3ff3408574",
    MessageType: "ua-data",
    PublisherId: "mill",
    Messages: [
      {
        DataSetWriterId: 62541,
        SequenceNumber: 1,
        Timestamp: new Date(AT + 1000).toISOString(),
        MessageType: "ua-keyframe",
        Payload: payload,
      },
    ],
  };
  print(`ua/json/data/${scheme}/${form}`, JSON.stringify(message));
}

for (const scheme of ["DeprecatedNonReversible", "DeprecatedReversible", "Verbose", "Compact"]) {
  pubSub(scheme, "DataValue", (field, how) => opcuaJsonEncodeDataValue(field, how, URIS));
  pubSub(scheme, "Variant", (field, how) => opcuaJsonEncodeVariant(field.value, how, URIS));
}
