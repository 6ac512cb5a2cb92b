//! Sentences in bodies: plain text, as it was and stays. What comes back from JSON has no numbers to be written
//! otherwise.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::said::Said;

impl Serialize for Said {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.serialize_str(self)
    }
}

impl<'de> Deserialize<'de> for Said {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        String::deserialize(from).map(Self::from)
    }
}
