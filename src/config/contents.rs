//! What bottles and tubes hold now.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::quantity::{Name, Volume};

/// What a tube still holds of another solution than the bottle it hangs in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TubeContent {
    pub solution: Name,
    #[serde(rename = "left_ul")]
    pub left: Volume,
}

/// What bottles and tubes hold by the record; of a bottle that is not here the first of its solutions is taken to be in it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Contents {
    /// With whether a person told it.
    pub(super) bottles: BTreeMap<Name, (Name, bool)>,
    /// By line.
    pub(super) tubes: BTreeMap<Name, TubeContent>,
}
