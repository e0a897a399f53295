//! The Sparkplug B payload as it travels (ISO/IEC 20237, Sparkplug 3.0.0, 6.4.1: protocol buffers, proto2), as far as it is read here.

/// The payload of a message.
#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct Payload {
    /// When it was sent, ms since 1970.
    #[prost(uint64, optional, tag = "1")]
    pub(super) timestamp: Option<u64>,
    #[prost(message, repeated, tag = "2")]
    pub(super) metrics: Vec<Metric>,
    /// 0 to 255 and again, counted over all messages of a node.
    #[prost(uint64, optional, tag = "3")]
    pub(super) seq: Option<u64>,
    /// What the body is, for example that it holds another payload in compressed form.
    #[prost(string, optional, tag = "4")]
    pub(super) uuid: Option<String>,
    #[prost(bytes = "vec", optional, tag = "5")]
    pub(super) body: Option<Vec<u8>>,
}

/// A value with its name, or with the alias that the birth gave to the name.
#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct Metric {
    #[prost(string, optional, tag = "1")]
    pub(super) name: Option<String>,
    #[prost(uint64, optional, tag = "2")]
    pub(super) alias: Option<u64>,
    /// When it was acquired, ms since 1970.
    #[prost(uint64, optional, tag = "3")]
    pub(super) timestamp: Option<u64>,
    #[prost(uint32, optional, tag = "4")]
    pub(super) datatype: Option<u32>,
    #[prost(bool, optional, tag = "5")]
    pub(super) is_historical: Option<bool>,
    #[prost(bool, optional, tag = "7")]
    pub(super) is_null: Option<bool>,
    #[prost(message, optional, tag = "9")]
    pub(super) properties: Option<PropertySet>,
    #[prost(oneof = "MetricValue", tags = "10, 11, 12, 13, 14, 15, 16, 17, 18")]
    pub(super) value: Option<MetricValue>,
}

#[derive(Clone, PartialEq, prost::Oneof)]
pub(super) enum MetricValue {
    #[prost(uint32, tag = "10")]
    Int(u32),
    #[prost(uint64, tag = "11")]
    Long(u64),
    #[prost(float, tag = "12")]
    Float(f32),
    #[prost(double, tag = "13")]
    Double(f64),
    #[prost(bool, tag = "14")]
    Boolean(bool),
    #[prost(string, tag = "15")]
    Text(String),
    #[prost(bytes = "vec", tag = "16")]
    Bytes(Vec<u8>),
    /// A data set; not looked into.
    #[prost(bytes = "vec", tag = "17")]
    DataSet(Vec<u8>),
    /// A template; not looked into.
    #[prost(bytes = "vec", tag = "18")]
    Template(Vec<u8>),
}

/// What is said about a metric, by name: the names and, in the same order, what they are.
#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct PropertySet {
    #[prost(string, repeated, tag = "1")]
    pub(super) keys: Vec<String>,
    #[prost(message, repeated, tag = "2")]
    pub(super) values: Vec<PropertyValue>,
}

#[derive(Clone, PartialEq, prost::Message)]
pub(super) struct PropertyValue {
    #[prost(oneof = "Property", tags = "3, 4, 8")]
    pub(super) value: Option<Property>,
}

#[derive(Clone, PartialEq, prost::Oneof)]
pub(super) enum Property {
    #[prost(uint32, tag = "3")]
    Int(u32),
    #[prost(uint64, tag = "4")]
    Long(u64),
    #[prost(string, tag = "8")]
    Text(String),
}
