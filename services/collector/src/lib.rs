//! MQTT in: session, decoding, acknowledgement after commit.
