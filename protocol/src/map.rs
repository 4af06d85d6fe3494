//! The maps of the record: on the hub the standard library's trees; in the app, where a crew's worth of keys is all there ever is and
//! every line of code has to be downloaded, sorted lists with the same ways in.

#[cfg(not(target_arch = "wasm32"))]
pub use std::collections::BTreeMap as Map;

#[cfg(target_arch = "wasm32")]
pub use sorted::Map;

/// Puts a few things in order; of equal ones, what came first stays first. For a few, the standard library's sort is mostly code.
pub fn sort_few<T, K: Ord>(few: &mut [T], key: impl Fn(&T) -> K) {
    for end in 1..few.len() {
        let mut at = end;
        while at > 0 && key(&few[at - 1]) > key(&few[at]) {
            few.swap(at - 1, at);
            at -= 1;
        }
    }
}

#[cfg(any(target_arch = "wasm32", test))]
mod sorted {
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
    use std::{borrow::Borrow, fmt, marker::PhantomData};

    /// Keys and their values, in the keys' order.
    #[derive(Clone, Debug, PartialEq, Eq)]
    pub struct Map<K, V>(Vec<(K, V)>);

    /// The place of a key, whether or not something stands there.
    pub struct Entry<'a, K, V> {
        map: &'a mut Map<K, V>,
        key: K,
    }

    impl<K, V> Default for Map<K, V> {
        fn default() -> Self {
            Self(Vec::new())
        }
    }

    impl<K, V> Map<K, V> {
        /// Nothing yet.
        pub const fn new() -> Self {
            Self(Vec::new())
        }

        /// Whether there is nothing.
        pub fn is_empty(&self) -> bool {
            self.0.is_empty()
        }

        /// How many keys.
        pub fn len(&self) -> usize {
            self.0.len()
        }

        /// All of it.
        pub fn iter(&self) -> impl ExactSizeIterator<Item = (&K, &V)> + DoubleEndedIterator {
            self.0.iter().map(|(key, value)| (key, value))
        }

        /// The keys.
        pub fn keys(&self) -> impl ExactSizeIterator<Item = &K> + DoubleEndedIterator {
            self.0.iter().map(|(key, _)| key)
        }

        /// The values, in the keys' order.
        pub fn values(&self) -> impl ExactSizeIterator<Item = &V> + DoubleEndedIterator {
            self.0.iter().map(|(_, value)| value)
        }

        /// The same, to be changed.
        pub fn values_mut(&mut self) -> impl ExactSizeIterator<Item = &mut V> {
            self.0.iter_mut().map(|(_, value)| value)
        }

        /// Keeps what is wanted.
        pub fn retain(&mut self, mut wanted: impl FnMut(&K, &mut V) -> bool) {
            self.0.retain_mut(|(key, value)| wanted(key, value));
        }

        /// Forgets everything.
        pub fn clear(&mut self) {
            self.0.clear();
        }
    }

    impl<K: Ord, V> Map<K, V> {
        /// Where a key stands, or would.
        fn place<Q: Ord + ?Sized>(&self, key: &Q) -> Result<usize, usize>
        where
            K: Borrow<Q>,
        {
            self.0
                .binary_search_by(|(known, _)| Borrow::<Q>::borrow(known).cmp(key))
        }

        /// What stands at a key.
        pub fn get<Q: Ord + ?Sized>(&self, key: &Q) -> Option<&V>
        where
            K: Borrow<Q>,
        {
            self.place(key).ok().map(|at| &self.0[at].1)
        }

        /// The same, to be changed.
        pub fn get_mut<Q: Ord + ?Sized>(&mut self, key: &Q) -> Option<&mut V>
        where
            K: Borrow<Q>,
        {
            self.place(key).ok().map(|at| &mut self.0[at].1)
        }

        /// Whether something stands at a key.
        pub fn contains_key<Q: Ord + ?Sized>(&self, key: &Q) -> bool
        where
            K: Borrow<Q>,
        {
            self.place(key).is_ok()
        }

        /// Puts something at a key, and gives what stood there.
        pub fn insert(&mut self, key: K, value: V) -> Option<V> {
            match self.place(&key) {
                Ok(at) => Some(std::mem::replace(&mut self.0[at].1, value)),
                Err(at) => {
                    self.0.insert(at, (key, value));
                    None
                }
            }
        }

        /// Takes what stands at a key.
        pub fn remove<Q: Ord + ?Sized>(&mut self, key: &Q) -> Option<V>
        where
            K: Borrow<Q>,
        {
            self.place(key).ok().map(|at| self.0.remove(at).1)
        }

        /// The place of a key.
        pub fn entry(&mut self, key: K) -> Entry<'_, K, V> {
            Entry { map: self, key }
        }
    }

    impl<'a, K: Ord, V> Entry<'a, K, V> {
        /// What stands there, else this from now on.
        pub fn or_insert(self, value: V) -> &'a mut V {
            let at = match self.map.place(&self.key) {
                Ok(at) => at,
                Err(at) => {
                    self.map.0.insert(at, (self.key, value));
                    at
                }
            };
            &mut self.map.0[at].1
        }

        /// What stands there, else what is so where nothing was said.
        pub fn or_default(self) -> &'a mut V
        where
            V: Default,
        {
            self.or_insert(V::default())
        }
    }

    impl<K: Ord, V> FromIterator<(K, V)> for Map<K, V> {
        fn from_iter<I: IntoIterator<Item = (K, V)>>(pairs: I) -> Self {
            let mut map = Self::new();
            map.extend(pairs);
            map
        }
    }

    impl<K: Ord, V> Extend<(K, V)> for Map<K, V> {
        fn extend<I: IntoIterator<Item = (K, V)>>(&mut self, pairs: I) {
            for (key, value) in pairs {
                self.insert(key, value);
            }
        }
    }

    impl<K: Ord, V, const N: usize> From<[(K, V); N]> for Map<K, V> {
        fn from(pairs: [(K, V); N]) -> Self {
            pairs.into_iter().collect()
        }
    }

    impl<K, V> IntoIterator for Map<K, V> {
        type Item = (K, V);
        type IntoIter = std::vec::IntoIter<(K, V)>;

        fn into_iter(self) -> Self::IntoIter {
            self.0.into_iter()
        }
    }

    impl<'a, K, V> IntoIterator for &'a Map<K, V> {
        type Item = (&'a K, &'a V);
        type IntoIter =
            std::iter::Map<std::slice::Iter<'a, (K, V)>, fn(&'a (K, V)) -> (&'a K, &'a V)>;

        fn into_iter(self) -> Self::IntoIter {
            self.0.iter().map(|(key, value)| (key, value))
        }
    }

    impl<K: Serialize, V: Serialize> Serialize for Map<K, V> {
        fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
            serializer.collect_map(self.iter())
        }
    }

    impl<'de, K: Deserialize<'de> + Ord, V: Deserialize<'de>> Deserialize<'de> for Map<K, V> {
        fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
            struct Pairs<K, V>(PhantomData<(K, V)>);
            impl<'de, K: Deserialize<'de> + Ord, V: Deserialize<'de>> de::Visitor<'de> for Pairs<K, V> {
                type Value = Map<K, V>;

                fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                    f.write_str("a map")
                }

                fn visit_map<A: de::MapAccess<'de>>(
                    self,
                    mut pairs: A,
                ) -> Result<Map<K, V>, A::Error> {
                    let mut map = Map::new();
                    while let Some((key, value)) = pairs.next_entry()? {
                        map.insert(key, value);
                    }
                    Ok(map)
                }
            }
            deserializer.deserialize_map(Pairs(PhantomData))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::sorted::Map;
    use proptest::prelude::*;
    use std::collections::BTreeMap;

    proptest! {
        #[test]
        fn a_few_are_sorted_as_many_are(few in prop::collection::vec((0..5_u8, any::<u8>()), 0..20)) {
            let (mut ours, mut theirs) = (few.clone(), few);
            super::sort_few(&mut ours, |(key, _)| *key);
            theirs.sort_by_key(|(key, _)| *key);
            prop_assert_eq!(ours, theirs);
        }

        /// Whatever is done to both, the list holds what the tree holds.
        #[test]
        fn the_list_is_as_the_tree(steps in prop::collection::vec((0..6_u8, 0..12_u8, any::<u8>()), 0..60)) {
            let (mut list, mut tree) = (Map::<u8, u8>::new(), BTreeMap::new());
            for (what, key, value) in steps {
                match what {
                    0 | 1 => prop_assert_eq!(list.insert(key, value), tree.insert(key, value)),
                    2 => prop_assert_eq!(list.remove(&key), tree.remove(&key)),
                    3 => prop_assert_eq!(list.entry(key).or_insert(value), tree.entry(key).or_insert(value)),
                    4 => *list.entry(key).or_default() |= *tree.entry(key).and_modify(|is| *is |= value).or_insert(value),
                    _ => {
                        list.retain(|_, value| *value > 9);
                        tree.retain(|_, value| *value > 9);
                    }
                }
                prop_assert_eq!(list.get(&key), tree.get(&key));
                prop_assert_eq!(list.contains_key(&key), tree.contains_key(&key));
                prop_assert_eq!(list.len(), tree.len());
                prop_assert!(list.iter().eq(tree.iter()));
                prop_assert!(list.keys().eq(tree.keys()) && list.values().eq(tree.values()));
            }
            let json = serde_json::to_string(&tree).unwrap();
            prop_assert_eq!(serde_json::to_string(&list).unwrap(), json.clone());
            prop_assert_eq!(serde_json::from_str::<Map<u8, u8>>(&json).unwrap(), list);
        }
    }
}
