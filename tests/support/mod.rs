//! Shared by the tests of behaviour.
#![allow(dead_code)]

pub mod browser;
pub mod compare;
pub mod laptop;
pub mod live;
pub mod looker;
pub mod player;
pub mod proxy;
pub mod screen;
pub mod script;
pub mod sound_server;
pub mod tones;
