//! The integration tests: one crate, a module a subject.

#![allow(clippy::disallowed_methods, reason = "tests use std's functions as a second opinion")]

mod anamorphic;
mod any_scene;
mod audit;
mod audit_walls;
mod bad_scenes;
mod cli;
mod cli_refusals;
mod cli_stage;
mod colour;
mod deliveries;
mod develop;
mod difference;
mod dimming;
mod electronics;
mod explain;
mod foreground;
mod hidden_bugs;
mod hidden_bugs_in_time;
mod house;
mod in_front;
mod measure;
mod mirrors;
mod moves;
mod moving;
mod other_light;
mod output;
mod predict;
mod predict_answers;
mod predict_scenes;
mod presets;
mod pulses;
mod rays;
mod recording_mode;
mod reference_tables;
mod scaling;
mod scene_strategy;
mod scenes;
mod sensor_noise;
mod sequences;
mod slanted_edge;
mod stage;
mod truth;
mod walls;
mod waveform;
