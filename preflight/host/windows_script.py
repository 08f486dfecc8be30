"""The one question to PowerShell on Windows, and how it is asked.

The script only gets. Each part stands in a `try` of its own: one that fails, or that the account may not ask,
is null in the JSON, and the rest is told all the same. It asks for numbers, names of enumerations and
registry keywords, which are the same in every language; what people read (display names, status words) is not
looked at. Cmdlets and properties: learn.microsoft.com, modules NetAdapter, NetTCPIP and PnpDevice, classes
MSFT_NetAdapter and Win32_Battery, INetSharingManager, powercfg. The layout of what it writes is from that
documentation, from published answers and from memory (docs/systems.md).
"""

import os
from pathlib import PureWindowsPath

from preflight.host.run import Command

# Single quotes only, so that the whole can be one argument on a command line.
SCRIPT = r"""
$ErrorActionPreference = 'Stop'; $ProgressPreference = 'SilentlyContinue';
[Console]::OutputEncoding = [Text.Encoding]::UTF8;
function Part([scriptblock]$ask) { try { ,@(& $ask) } catch { $null } };
$told = @{};
$told.adapters = Part { Get-NetAdapter -IncludeHidden | Where-Object { -not $_.Hidden -or $_.ComponentID -eq 'ms_bridgemp' } |
  Select-Object Name, MacAddress, PermanentAddress, Speed, FullDuplex, MediaDuplexState, MediaConnectState,
  InterfaceAdminStatus, InterfaceType, NdisMedium, NdisPhysicalMedium, HardwareInterface, Virtual, ComponentID, PnPDeviceID,
  DriverFileName };
$told.advanced = Part { Get-NetAdapterAdvancedProperty -AllProperties | Where-Object { $_.RegistryKeyword } |
  Select-Object Name, RegistryKeyword, @{ n = 'Value'; e = { [string]($_.RegistryValue -join ',') } } };
$told.power = Part { Get-NetAdapterPowerManagement | Select-Object Name,
  @{ n = 'TurnOff'; e = { [string]$_.AllowComputerToTurnOffDevice } }, @{ n = 'Suspend'; e = { [string]$_.SelectiveSuspend } } };
$told.interfaces = Part { Get-NetIPInterface | Select-Object InterfaceAlias, InterfaceMetric,
  @{ n = 'Forwarding'; e = { [string]$_.Forwarding } }, @{ n = 'Dhcp'; e = { [string]$_.Dhcp } } };
$told.addresses = Part { Get-NetIPAddress | Select-Object InterfaceAlias, IPAddress,
  @{ n = 'Origin'; e = { [string]$_.PrefixOrigin } } };
$told.routes = Part { Get-NetRoute | Where-Object { $_.DestinationPrefix -in '0.0.0.0/0', '::/0' } |
  Select-Object InterfaceAlias, NextHop };
$told.bridged = Part { Get-NetAdapterBinding -ComponentID 'ms_bridge' | Where-Object { $_.Enabled } | Select-Object Name };
$told.usb = Part { Get-NetAdapter | Where-Object { $_.PnPDeviceID -like 'USB\*' } | ForEach-Object {
  $parent = (Get-PnpDeviceProperty -InstanceId $_.PnPDeviceID -KeyName 'DEVPKEY_Device_Parent').Data; $chain = @($parent);
  while ($chain[-1] -like 'USB\*' -and $chain.Count -lt 8) {
    $chain += (Get-PnpDeviceProperty -InstanceId $chain[-1] -KeyName 'DEVPKEY_Device_Parent').Data };
  $own = $_.PnPDeviceID; $all = (Get-PnpDeviceProperty -InstanceId $parent -KeyName 'DEVPKEY_Device_Children').Data;
  @{ Name = $_.Name; Parents = $chain; Beside = @($all | Where-Object { $_ -and $_ -ne $own } |
    ForEach-Object { (Get-PnpDevice -InstanceId $_).FriendlyName }) } } };
$told.batteries = Part { Get-CimInstance Win32_Battery | Select-Object BatteryStatus };
$told.scheme = Part { powercfg /getactivescheme };
$told.overlay = Part { (Get-ItemProperty 'HKLM:\SYSTEM\CurrentControlSet\Control\Power\User\PowerSchemes').ActiveOverlayAcPowerScheme };
$told.throttle = Part { powercfg /query SCHEME_CURRENT SUB_PROCESSOR PROCTHROTTLEMAX };
$told.sleep = Part { powercfg /query SCHEME_CURRENT SUB_SLEEP STANDBYIDLE };
$told.suspend = Part { powercfg /query SCHEME_CURRENT 2a737441-1930-4402-8d77-b2bebba308a3 48e6b7a6-50f5-4782-a5d4-53bb8f07e226 };
$told.service = Part { [string](Get-Service SharedAccess).Status };
$told.shared = Part { $all = New-Object -ComObject HNetCfg.HNetShare; foreach ($one in @($all.EnumEveryConnection)) {
  @{ Name = $all.NetConnectionProps.Invoke($one).Name;
     Enabled = $all.INetSharingConfigurationForINetConnection.Invoke($one).SharingEnabled } } };
ConvertTo-Json -InputObject $told -Depth 6 -Compress
"""


def commands() -> dict[str, Command]:
    system = PureWindowsPath(os.environ.get("SYSTEMROOT", r"C:\Windows")) / "System32"
    shell = str(system / "WindowsPowerShell" / "v1.0" / "powershell.exe")
    script = " ".join(SCRIPT.split())
    return {"powershell": (shell, "-NoLogo", "-NoProfile", "-NonInteractive", "-Command", script)}
