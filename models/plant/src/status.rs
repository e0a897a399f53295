//! What an OPC UA status code says of a value (OPC 10000-4, StatusCode; codes by name in StatusCode.csv of OPC 10000-6).

use serde::{Deserialize, Serialize};

use crate::Quality;

/// Where a value comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Origin {
    /// It was measured.
    Measured,
    /// It was worked out from measured ones: interpolated, or an aggregate. It may be used, and is no better than uncertain.
    Derived,
    /// It was put in where nothing was measured: filled, substituted, simulated. It is bad.
    Filled,
}

/// What a status says of its value.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Status {
    /// How far it may be believed.
    pub quality: Quality,
    /// Where it comes from.
    pub origin: Origin,
    /// The source says that there is no value, whatever stands in its place.
    pub no_value: bool,
}

/// The low 16 bits carry flags, the others say what it is.
const KIND: u32 = 0xFFFF_0000;
/// Two bits that say what the low bits mean, and their value for a data value.
const INFO: (u32, u32) = (0x0000_0C00, 0x0000_0400);
/// The historian's bits for raw (0), calculated (1) and interpolated (2).
const HISTORIAN: u32 = 0x3;

impl Status {
    /// A measured value of this quality.
    pub const fn measured(quality: Quality) -> Status {
        Status { quality, origin: Origin::Measured, no_value: false }
    }

    /// A value that was worked out from measured ones.
    pub const DERIVED: Status = Status { quality: Quality::Uncertain, origin: Origin::Derived, no_value: false };

    /// A value that was put in where nothing was measured.
    pub const FILLED: Status = Status { quality: Quality::Bad, origin: Origin::Filled, no_value: false };

    /// What an OPC UA status code says: its severity (the top two bits: 00 good, 01 uncertain, 10 bad), but for codes of
    /// which more is known; `None` for 11, which is no severity.
    ///
    /// `GoodNoData` is no value; `GoodLocalOverride`, a value that somebody typed in, is uncertain; substituted and simulated
    /// values are filled; values that the historian's bits call calculated or interpolated are derived.
    pub const fn of_opc_ua(code: u32) -> Option<Status> {
        let quality = match code >> 30 {
            0 => Quality::Good,
            1 => Quality::Uncertain,
            2 => Quality::Bad,
            _ => return None,
        };
        let derived = code & INFO.0 == INFO.1 && matches!(code & HISTORIAN, 1 | 2);
        Some(match code & KIND {
            // GoodNoData
            0x00A5_0000 => Status { quality: Quality::Bad, origin: Origin::Measured, no_value: true },
            // GoodLocalOverride
            0x0096_0000 => Self::measured(Quality::Uncertain),
            // UncertainSubstituteValue, UncertainSimulatedValue
            0x4091_0000 | 0x4209_0000 => Self::FILLED,
            _ if derived && !matches!(quality, Quality::Bad) => Self::DERIVED,
            _ => Self::measured(quality),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Codes by their names in StatusCode.csv of OPC 10000-6; the historian's bits by the table of OPC 10000-4.
    #[test]
    fn codes_mean_what_the_standard_says() {
        use Quality::{Bad, Good, Uncertain};
        for (code, right) in [
            (0x0000_0000, Status::measured(Good)),      // Good
            (0x0030_0480, Status::measured(Good)),      // GoodClamped with info bits
            (0x0096_0000, Status::measured(Uncertain)), // GoodLocalOverride
            (0x00A5_0000, Status { quality: Bad, origin: Origin::Measured, no_value: true }), // GoodNoData
            (0x4090_0000, Status::measured(Uncertain)), // UncertainLastUsableValue
            (0x4091_0000, Status::FILLED),              // UncertainSubstituteValue
            (0x4209_0000, Status::FILLED),              // UncertainSimulatedValue
            (0x808C_0000, Status::measured(Bad)),       // BadSensorFailure
            (0x0000_0400, Status::measured(Good)),      // Good, raw
            (0x0000_0401, Status::DERIVED),             // Good, calculated
            (0x0000_0402, Status::DERIVED),             // Good, interpolated
            (0x0000_0002, Status::measured(Good)),      // the same bits without the mark that they mean this
            (0x8000_0402, Status::measured(Bad)),       // Bad, interpolated
        ] {
            assert_eq!(Status::of_opc_ua(code), Some(right), "{code:#010x}");
        }
        assert_eq!(Status::of_opc_ua(0xC000_0000), None);
    }
}
