/* Stands in for libnvidia-ml.so.1 in the tests: the functions that the plugin calls, with the names, types and codes of
 * the NVML API Reference Guide. What it says stands in the file $FAKE_NVML, one "key value" a line; a key that is not
 * there is a quantity that the device does not support, and the value "lost" is a device that is gone.
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { SUCCESS = 0, NOT_SUPPORTED = 3, IS_LOST = 15 };
typedef long device; /* a handle: its number, from 1, in the place of a pointer */

static int text(const char *key, char *found, int size) {
    char line[256], name[128], value[128];
    FILE *file = fopen(getenv("FAKE_NVML"), "r");
    int code = NOT_SUPPORTED;
    while (file && fgets(line, sizeof line, file))
        if (sscanf(line, "%127[^=]=%127[^\n]", name, value) == 2 && !strcmp(name, key)) {
            code = strcmp(value, "lost") ? SUCCESS : IS_LOST;
            snprintf(found, size, "%s", value);
        }
    if (file) fclose(file);
    return code;
}

static int number(device handle, const char *what, unsigned long long *found) {
    char key[64], value[128];
    snprintf(key, sizeof key, "%ld.%s", handle - 1, what);
    int code = text(key, value, sizeof value);
    if (code == SUCCESS) *found = strtoull(value, 0, 0);
    return code;
}

static int small(device handle, const char *what, unsigned *found) {
    unsigned long long wide = 0;
    int code = number(handle, what, &wide);
    *found = (unsigned)wide;
    return code;
}

int nvmlInitWithFlags(unsigned flags) { (void)flags; return SUCCESS; }
int nvmlShutdown(void) { return SUCCESS; }
const char *nvmlErrorString(int code) { return code == IS_LOST ? "GPU is lost" : code ? "Not Supported" : "Success"; }

int nvmlDeviceGetCount_v2(unsigned *count) {
    char value[128];
    *count = text("count", value, sizeof value) == SUCCESS ? atoi(value) : 0;
    return SUCCESS;
}
int nvmlDeviceGetHandleByIndex_v2(unsigned index, device *handle) { *handle = index + 1; return SUCCESS; }
int nvmlDeviceGetName(device handle, char *name, unsigned size) {
    char key[64];
    snprintf(key, sizeof key, "%ld.name", handle - 1);
    return text(key, name, size);
}
struct pci { char legacy[16]; unsigned domain, bus, device, id, subsystem; char bus_id[32]; };
int nvmlDeviceGetPciInfo_v3(device handle, struct pci *info) {
    char key[64];
    memset(info, 0, sizeof *info);
    snprintf(key, sizeof key, "%ld.bus", handle - 1);
    return text(key, info->bus_id, sizeof info->bus_id);
}
int nvmlDeviceGetTemperature(device handle, int sensor, unsigned *c) {
    return sensor ? NOT_SUPPORTED : small(handle, "temperature", c);
}
int nvmlDeviceGetTemperatureThreshold(device handle, int which, unsigned *c) {
    return small(handle, which == 1 ? "slowdown" : "shutdown", c);
}
int nvmlDeviceGetPowerUsage(device handle, unsigned *mw) { return small(handle, "power", mw); }
int nvmlDeviceGetClockInfo(device handle, int which, unsigned *mhz) {
    return which == 1 ? small(handle, "sm-clock", mhz) : small(handle, "other-clock", mhz);
}
int nvmlDeviceGetCurrentClocksEventReasons(device handle, unsigned long long *reasons) {
    return number(handle, "reasons", reasons);
}
int nvmlDeviceGetTotalEccErrors(device handle, int kind, int counter, unsigned long long *count) {
    return counter ? NOT_SUPPORTED : number(handle, kind ? "uncorrected" : "corrected", count);
}
int nvmlDeviceGetViolationStatus(device handle, int policy, unsigned long long *times) {
    times[0] = 0;
    return number(handle, policy ? "thermal-ns" : "power-ns", &times[1]);
}
struct field { unsigned id, scope; long long at, latency; int type, code; union { unsigned ui; double d; } value; };
int nvmlDeviceGetFieldValues(device handle, int count, struct field *values) {
    for (int i = 0; i < count; i++)
        values[i].code = values[i].id == 82 ? small(handle, "memory-temperature", &values[i].value.ui) : NOT_SUPPORTED;
    return SUCCESS;
}
